// Elements without markup in strings: nothing that somebody typed is ever read as HTML.
const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === false || value === null || value === undefined) continue;
    if (name === "on") for (const [event, act] of Object.entries(value)) node.addEventListener(event, act);
    else if (name === "value") node.value = value;
    else if (name === "checked" || name === "disabled" || name === "selected") node[name] = value;
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

export function el(tag, attributes = {}, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

function shape(tag, attributes) {
  return fill(document.createElementNS(SVG, tag), attributes, []);
}

// Met: a filled square. Missed: an open square with a stroke through it. Not seen: a dot. Asked: a line to fill.
export function glyph(value) {
  const svg = shape("svg", {
    viewBox: "0 0 12 12",
    class: `glyph ${value || "open"}`,
    "aria-hidden": "true",
  });
  if (value === "met") svg.append(shape("rect", { x: 1.5, y: 1.5, width: 9, height: 9 }));
  else if (value === "missed") {
    svg.append(shape("rect", { x: 2, y: 2, width: 8, height: 8 }), shape("path", { d: "M2 10 10 2" }));
  } else if (value === "not_seen") svg.append(shape("circle", { cx: 6, cy: 6, r: 2 }));
  else svg.append(shape("path", { d: "M2 10H10" }));
  return svg;
}

export function hidden(text) {
  return el("span", { class: "hidden-words" }, text);
}

export function button(text, act, attributes = {}, ...more) {
  return el("button", { type: "button", ...attributes, on: { click: act } }, text, ...more);
}

export function choice(label, value, options, act, attributes = {}) {
  const select = el(
    "select",
    { ...attributes, on: { change: (event) => act(event.target.value) } },
    options.map(([code, name]) =>
      el("option", { value: code, selected: code === String(value ?? "") }, name),
    ),
  );
  return el("label", { class: "fact" }, el("span", {}, label), select);
}

// Draws a part again only when what it shows has changed, and gives the focus back to the same control.
export function redraw(holder, data, build) {
  const signature = JSON.stringify(data);
  if (holder.dataset.signature === signature) return;
  // What somebody is in the middle of typing is not taken out from under the fingers; it is drawn once that is done.
  if (holder.contains(document.activeElement) && document.activeElement.dataset.typed) return;
  holder.dataset.signature = signature;
  const focus = holder.contains(document.activeElement) ? document.activeElement.dataset.focus : null;
  const lost = focus === undefined;
  holder.replaceChildren(...[build()].flat().filter(Boolean));
  if (focus === null) return;
  const again = lost ? null : holder.querySelector(`[data-focus="${CSS.escape(focus)}"]`);
  (again || holder.closest("[data-sheet]")).focus({ preventScroll: true });
}

// Fields in which somebody is in the middle of typing; `done` is told when one has been left.
export function watchTyping(root, done) {
  root.addEventListener("input", ({ target }) => {
    if (target.matches("input, textarea")) target.dataset.typed = "1";
  });
  const over = ({ target }) => {
    const fields = target.matches("form") ? target.elements : [target];
    const typed = [...fields].filter((field) => field.dataset?.typed);
    for (const field of typed) delete field.dataset.typed;
    if (typed.length) done();
  };
  for (const event of ["change", "submit", "focusout"]) root.addEventListener(event, over, true);
}
