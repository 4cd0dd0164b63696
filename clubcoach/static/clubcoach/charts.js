// Draws the figures that the server made, once they scroll into view. Until then, and without this
// script, the small drawing and the table beside it say the same.
(() => {
  "use strict";

  // The chart script brings the style sheet of a map library that no page uses. The policy refuses it
  // with a report in the console; an element with this id tells the script that it is there already.
  const MAP_STYLE = "9f215cf04c5486422605d13261cb87401f4e7763b6296af81e98efbc0130da53";
  const CONFIG = { displayModeBar: false, displaylogo: false, responsive: true, scrollZoom: false, doubleClick: false };
  const live = new Set();
  let loading = null;

  function added(tag, attributes, waits) {
    const element = Object.assign(document.createElement(tag), attributes);
    const ready = new Promise((resolve, reject) => {
      element.onload = resolve;
      element.onerror = reject;
    });
    document.head.append(element);
    return waits ? ready : null;
  }

  function load(figure) {
    if (loading) return loading;
    added("template", { id: MAP_STYLE }, false);
    // By this id and class the script knows that its rules come from a file and not from a style element.
    const style = added(
      "link",
      { id: "plotly.js-style-global", className: "no-inline-styles", rel: "stylesheet", href: figure.dataset.plotlyStyle },
      true,
    );
    const script = added("script", { src: figure.dataset.plotly }, true);
    loading = Promise.all([style, script]);
    return loading;
  }

  function palette() {
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(name).trim();
    return {
      ink: colour("--ink"),
      soft: colour("--ink-soft"),
      rule: colour("--rule"),
      paper: colour("--paper"),
      score: colour("--mark-blue"),
      standard: colour("--accent"),
      font: getComputedStyle(document.body).fontFamily,
    };
  }

  function coloured(figure, colours) {
    const copy = structuredClone(figure);
    for (const note of copy.layout.annotations || []) note.font = { color: colours[note.name] };
    for (const trace of copy.data) {
      const own = colours[trace.meta] || colours.ink;
      trace.line = { color: own, width: trace.meta === "standard" ? 2 : 1.5, dash: trace.meta === "standard" ? "dash" : "solid" };
      trace.marker = { color: own, size: 9 };
      if (trace.error_y) trace.error_y = { ...trace.error_y, color: own, thickness: 2, width: 5 };
    }
    const axis = { gridcolor: colours.rule, linecolor: colours.ink, zerolinecolor: colours.rule, color: colours.soft };
    copy.layout = {
      ...copy.layout,
      autosize: true,
      paper_bgcolor: "rgba(0,0,0,0)",
      plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: colours.font, size: 13, color: colours.ink },
      hoverlabel: { bgcolor: colours.paper, bordercolor: colours.ink, font: { color: colours.ink, family: colours.font } },
      xaxis: { ...copy.layout.xaxis, ...axis, showgrid: false },
      yaxis: { ...copy.layout.yaxis, ...axis },
    };
    return copy;
  }

  function dataOf(figure) {
    return JSON.parse(document.getElementById(figure.dataset.chart).textContent);
  }

  async function draw(figure) {
    await load(figure);
    if (!figure.isConnected) return;
    let place = figure.querySelector(".chart-live");
    if (!place) {
      place = document.createElement("div");
      place.className = "chart-live";
      // The sentence, the drawing's title and the table speak; this is for eyes and pointers.
      place.setAttribute("aria-hidden", "true");
      figure.querySelector(".chart-drawing").append(place);
    }
    // Marked before it is drawn: a place that is not shown has no width to draw into.
    figure.classList.add("is-live");
    const { data, layout } = coloured(dataOf(figure), palette());
    await window.Plotly.react(place, data, layout, CONFIG);
    live.add(figure);
  }

  function giveUp(figure) {
    figure.classList.remove("is-live");
    figure.querySelector(".chart-live")?.remove();
  }

  const inView = new IntersectionObserver(
    (entries) => {
      for (const { isIntersecting, target } of entries) {
        if (!isIntersecting) continue;
        inView.unobserve(target);
        draw(target).catch(() => giveUp(target));
      }
    },
    { rootMargin: "150px" },
  );

  function watch(root) {
    for (const figure of root.querySelectorAll("[data-chart]")) {
      if (!live.has(figure)) inView.observe(figure);
    }
  }

  function again() {
    for (const figure of live) {
      if (figure.isConnected) draw(figure).catch(() => giveUp(figure));
      else live.delete(figure);
    }
  }

  watch(document);
  document.addEventListener("htmx:load", (event) => watch(event.detail.elt));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  new MutationObserver(again).observe(document.documentElement, { attributeFilter: ["data-theme"] });
})();
