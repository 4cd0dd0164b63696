// What the landmarks give, in words: the same as the page says without scripts.
import { el } from "./draw.js";
import { w } from "./words.js";

export function result(answer) {
  const head = el(
    "tr",
    {},
    el("th", { scope: "col" }, w("part")),
    el("th", { scope: "col", class: "num" }, w("off_by")),
    el("th", { scope: "col", class: "num" }, w("spot_off")),
  );
  const zones = answer.zones.map((zone) =>
    el(
      "tr",
      {},
      el("th", { scope: "row" }, zone.label),
      el("td", { class: "num" }, zone.px_words),
      el("td", { class: "num" }, zone.cm_words),
    ),
  );
  return el(
    "div",
    { class: "court-result" },
    el("p", {}, `${answer.count} `, answer.worst ? el("strong", {}, answer.worst) : null),
    el(
      "table",
      { class: "sheet small" },
      el("caption", {}, answer.zone_words),
      el("thead", {}, head),
      el("tbody", {}, zones),
    ),
    answer.judged.map((sentence) => el("p", {}, sentence)),
  );
}
