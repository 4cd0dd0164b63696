// The marks of a rally in the table: one drawing, with a path to a kind of mark. A long match has thousands of marks,
// and an element for each would cost more at a key than all else together.
import { el } from "./dom.js";

const SVG = "http://www.w3.org/2000/svg";
// Twelve units to a mark, as in the glyphs of dom.js, fifteen to their size in letters.
const [WIDE, GAP, APART, LETTER] = [12, 2.25, 7.5, 15];
const SHAPES = {
  met: (x) => `M${x + 1.5} 1.5h9v9h-9z`,
  missed: (x) => `M${x + 2} 2h8v8h-8zM${x + 2} 10l8-8`,
  not_seen: (x) => `M${x + 4} 6a2 2 0 1 0 4 0a2 2 0 1 0-4 0`,
  open: (x) => `M${x + 2} 10h8`,
};

// `groups`: what each situation shows, [{ values, out, shown, title }]. Those that are only shown stand in brackets.
export function marks(groups) {
  const parts = [];
  let run = [];
  const flush = () => {
    if (run.length) parts.push(drawing(run));
    run = [];
  };
  for (const group of groups) {
    if (!group.shown) run.push(group);
    else {
      flush();
      parts.push(el("span", { class: "group shown", title: group.title }, drawing([group])));
    }
  }
  flush();
  return parts;
}

function drawing(groups) {
  const paths = new Map();
  let x = 0;
  for (const { values, out } of groups) {
    for (const value of values) {
      const name = `${value || "open"}${out ? " out" : ""}`;
      paths.set(name, (paths.get(name) ?? "") + SHAPES[value || "open"](x));
      x += WIDE + GAP;
    }
    x += APART - GAP;
  }
  const width = x - APART;
  const svg = document.createElementNS(SVG, "svg");
  const own = { class: "marks", viewBox: `0 0 ${width} ${WIDE}`, width: `${width / LETTER}em`, "aria-hidden": "true" };
  for (const [name, value] of Object.entries(own)) svg.setAttribute(name, value);
  for (const [name, d] of paths) {
    const path = document.createElementNS(SVG, "path");
    path.setAttribute("class", name);
    path.setAttribute("d", d);
    svg.append(path);
  }
  return svg;
}
