// What is drawn over the picture.
const SVG = "http://www.w3.org/2000/svg";

export { el } from "../sheet/dom.js";

export function shape(tag, attributes = {}, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  node.append(...children.flat());
  return node;
}

// The court's lines, each twice: a broad one behind, so that the thin one shows on every floor.
export function lines(rows) {
  return rows.flatMap(({ points }) => {
    const told = points.map((point) => point.join(",")).join(" ");
    return [shape("polyline", { class: "halo", points: told }), shape("polyline", { points: told })];
  });
}

// A cross with an open middle: the pixel it stands on stays to be seen.
export function cross(u, v, size, kind) {
  const [near, far] = [size * 0.25, size];
  const arms = [
    [-far, 0, -near, 0],
    [near, 0, far, 0],
    [0, -far, 0, -near],
    [0, near, 0, far],
  ];
  return ["halo", "arm"].map((stroke) =>
    shape(
      "g",
      { class: `${kind} ${stroke}` },
      arms.map(([x1, y1, x2, y2]) => shape("line", { x1: u + x1, y1: v + y1, x2: u + x2, y2: v + y2 })),
    ),
  );
}
