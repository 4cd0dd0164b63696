// The draw of each area: how many are listed, how many are drawn, and how closely that tells. Units that were listed
// later get a draw of their own; where no list is made beforehand, rallies are drawn instead.
import { button, el, redraw } from "./dom.js";
import { config, w } from "./words.js";

const MORE = 10;

export class Draws {
  constructor(holder, acts, reload) {
    Object.assign(this, { holder, acts, reload });
  }

  draw(model) {
    const wanted = model.analysis.plan === "drawn";
    this.holder.hidden = !wanted;
    if (!wanted) return;
    const data = model.areas.map((area) => this.data(model, area.code));
    redraw(this.holder, data, () => [
      el("h2", {}, w("draw_title")),
      ...data.map((one) => this.area(model.area.get(one.code), one)),
    ]);
  }

  data(model, code) {
    const waves = model.draws.filter((draw) => draw.area === code);
    const listed = model.situationList.filter(
      (row) => row.area === code && !row.shown_only && !row.not_codable,
    );
    const framed = new Set(waves.flatMap((draw) => draw.units ?? []));
    return {
      code,
      waves,
      listed: listed.length,
      later: waves.length ? listed.filter((row) => !framed.has(row.unit)).length : 0,
      rallies: model.rallyList.length,
      writable: this.acts.writable,
    };
  }

  area(area, { waves, listed, later, rallies, writable }) {
    const problem = el("p", { class: "errorlist", role: "alert" });
    const said = waves.map((draw) => this.said(area, draw));
    if (!waves.length) said.push(el("p", {}, w("draw_not_yet", { area: area.name, n: listed })));
    const forms = [];
    const open = waves.findLast((draw) => !draw.every && draw.planned < draw.listed);
    const ruled = waves.some((draw) => draw.every);
    if (writable && open) forms.push(...this.goOn(area, open, problem));
    if (writable && !ruled && (waves.length ? later : listed)) {
      const key = waves.length ? "draw_new_wave" : "draw_number";
      const body = (n) => ({ planned: n, new_wave: waves.length > 0 });
      const value = waves.length ? Math.min(24, later) : Math.min(24, listed);
      forms.push(this.form(area, key, "draw_now", value, 9999, problem, body));
    }
    if (writable && !waves.length && !rallies) {
      forms.push(
        el("p", { class: "soft small" }, w("draw_every_why")),
        this.form(area, "draw_every", "draw_every_now", 5, 20, problem, (n) => ({ every: n })),
      );
    }
    return el("div", { class: "draw-area" }, said, forms, problem);
  }

  said(area, draw) {
    const values = { area: area.name, planned: Math.min(draw.planned, draw.listed), n: draw.listed };
    const begin = draw.every
      ? `${area.name}:`
      : w(draw.wave > 1 ? "draw_wave" : "draw_is", values);
    return el("p", {}, begin, ` ${draw.words}`);
  }

  goOn(area, draw, problem) {
    const value = Math.min(draw.planned + MORE, draw.listed);
    const ten = button(w("draw_ten_more"), () => this.send(area.code, { planned: draw.planned + MORE }, problem), {
      class: "button quiet",
      "data-focus": `ten-${area.code}`,
    });
    const form = this.form(area, "draw_up_to", "draw_go_on", value, 9999, problem, (n) => ({ planned: n }));
    return [form, ten];
  }

  form(area, words, act, value, most, problem, body) {
    const number = el("input", {
      type: "number",
      name: "number",
      min: act === "draw_every_now" ? "2" : "1",
      max: String(most),
      required: true,
      value: String(value),
      "data-focus": `${words}-${area.code}`,
    });
    const submit = (event) => {
      event.preventDefault();
      this.send(area.code, body(Number(number.value)), problem);
    };
    return el(
      "form",
      { class: "draw-form", on: { submit } },
      el("label", { class: "fact" }, el("span", {}, w(words, { area: area.name })), number),
      el("button", { type: "submit", "data-focus": `${act}-${area.code}` }, w(act)),
    );
  }

  async send(area, body, problem) {
    problem.textContent = "";
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
        body: JSON.stringify({ area, ...body }),
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
