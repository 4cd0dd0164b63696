// The draw of each area: how many are listed, how many are drawn, and how closely that tells.
import { el, redraw } from "./dom.js";
import { config, w } from "./words.js";

export class Draws {
  constructor(holder, acts, reload) {
    Object.assign(this, { holder, acts, reload });
  }

  draw(model) {
    const wanted = model.analysis.plan === "drawn";
    this.holder.hidden = !wanted;
    if (!wanted) return;
    const data = model.areas.map((area) => [
      area.code,
      model.draws.find((draw) => draw.area === area.code),
      model.situationList.filter((row) => row.area === area.code && !row.shown_only && !row.not_codable)
        .length,
      this.acts.writable,
    ]);
    redraw(this.holder, data, () => [
      el("h2", {}, w("draw_title")),
      ...data.map(([code, draw, listed]) => this.area(model.area.get(code), draw, listed)),
    ]);
  }

  area(area, draw, listed) {
    const said = draw
      ? w("draw_is", { area: area.name, planned: Math.min(draw.planned, draw.listed), n: draw.listed })
      : w("draw_not_yet", { area: area.name, n: listed });
    const words = el("p", {}, said, draw ? ` ${draw.words}` : "");
    const over = draw && draw.planned >= draw.listed;
    if (!this.acts.writable || !listed || over) return words;
    const number = el("input", {
      type: "number",
      name: "planned",
      min: "1",
      max: "9999",
      required: true,
      value: String(Math.min(draw ? draw.planned + 10 : 24, draw?.listed ?? listed)),
      "data-focus": `planned-${area.code}`,
    });
    const problem = el("p", { class: "errorlist", role: "alert" });
    const form = el(
      "form",
      { class: "draw-form", on: { submit: (event) => this.send(event, area.code, problem) } },
      el(
        "label",
        { class: "fact" },
        el("span", {}, w(draw ? "draw_up_to" : "draw_number", { area: area.name })),
        number,
      ),
      el(
        "button",
        { type: "submit", "data-focus": `draw-${area.code}` },
        w(draw ? "draw_go_on" : "draw_now"),
      ),
      problem,
    );
    return el("div", { class: "draw-area" }, words, form);
  }

  async send(event, area, problem) {
    event.preventDefault();
    const planned = Number(new FormData(event.target).get("planned"));
    // What is not listed on the server yet could not be drawn.
    if (!(await this.acts.queue.drain())) {
      problem.textContent = w("draw_needs_all");
      return;
    }
    try {
      const answer = await fetch(config.draw, {
        method: "POST",
        headers: {
          "Content-Type": "application/json",
          Accept: "application/json",
          "X-CSRFToken": this.acts.queue.token(),
        },
        body: JSON.stringify({ area, planned }),
      });
      const data = await answer.json();
      if (!answer.ok)
        problem.textContent = Object.values(data)
          .flat()
          .filter((one) => typeof one === "string")
          .join(" ");
      else await this.reload();
    } catch {
      problem.textContent = w("trouble_offline");
    }
  }
}
