// What was stepped to is brought into view, between the film that stays at the top of a phone and the buttons below.
const GAP = 8;

function band(root) {
  const film = root.querySelector(".film-pane");
  const thumbs = root.querySelector("[data-part=thumbs]");
  const sticks = getComputedStyle(film).position === "sticky";
  const bar = getComputedStyle(thumbs).display === "none" ? null : thumbs.getBoundingClientRect();
  return {
    top: sticks ? film.getBoundingClientRect().height : 0,
    bottom: window.innerHeight - (bar ? bar.height : 0),
  };
}

export function bring(root, ui) {
  if (!ui.bring) return;
  ui.bring = false;
  const asks = root.querySelector(".asks");
  const line = root.querySelector(".situation-lines > li.current");
  const row = root.querySelector("tr[aria-current=true]");
  const [first, last] = line && asks ? [line, asks] : [row, row];
  if (!first) return;
  const { top, bottom } = band(root);
  const from = first.getBoundingClientRect().top;
  const to = last.getBoundingClientRect().bottom;
  const room = bottom - top - 2 * GAP;
  // What is asked matters more than the line above it where both do not fit.
  const begin = to - from <= room ? from : Math.max(from, to - room);
  if (begin >= top + GAP && to <= bottom - GAP) return;
  window.scrollBy({ top: begin - top - GAP, behavior: "instant" });
}
