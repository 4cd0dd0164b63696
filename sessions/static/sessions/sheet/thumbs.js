// Every act as a button that a thumb can reach, on screens that are touched; what is asked now stands above them.
import { bring } from "./bring.js";
import { button, el, glyph, redraw } from "./dom.js";
import { actOf } from "./keynames.js";
import { w } from "./words.js";

const MARKS = ["met", "missed", "not_seen"];
const ROWS = {
  1: [
    ["start", "won_a", "won_b", "won_none"],
    ["run", "back", "on", "slow", "faster"],
    ["before", "after", "undo", "redo", "done"],
  ],
  2: [
    ["easy", "normal", "hard", "clear", "uncover"],
    ["run", "back", "on", "slow", "done"],
    ["cell_before", "cell_after", "before", "after", "undo", "redo"],
  ],
};
const WRITES = new Set(["start", "won_a", "won_b", "won_none", "easy", "normal", "hard", "clear", "done", "undo", "redo"]);

export class Thumbs {
  constructor(holder, acts, does) {
    Object.assign(this, { holder, acts, does: { ...does, normal: () => acts.ball("normal") } });
  }

  draw(model, ui) {
    if (!this.holder) return;
    const row = model.situations.get(ui.situation);
    const marking = Boolean(row && !row.dropped);
    const leads = this.acts.leading;
    const writable = this.acts.writable;
    const pass = ui.pass === 2 || (marking && ui.check) ? 2 : 1;
    redraw(this.holder, [ui.pass, pass, row, ui.check, leads, writable, ui.prompt], () => [
      this.question(model, row, ui, leads),
      marking && writable ? this.line(MARKS, model, row, ui) : null,
      ui.pass === 1 && writable ? this.areas(model) : null,
      ...ROWS[pass].map((names) => this.line(names, model, row, ui)),
      pass !== ui.pass ? this.line(["start", "won_a", "won_b", "won_none"], model, row, ui) : null,
    ]);
    bring(this.holder.closest("[data-sheet]"), ui);
  }

  question(model, row, ui, leads) {
    const check = row && ui.check ? model.check(row, ui.check) : null;
    if (!check) return null;
    return el("p", { class: "thumb-question" }, leads ? w("film_runs_first") : `${check.code} ${check.name}`);
  }

  areas(model) {
    const one = (area) => button(area.name, () => this.acts.ask(area.code), { "data-focus": `thumb-${area.code}` });
    return el("div", { class: "thumb-line" }, model.areas.map(one));
  }

  line(names, model, row, ui) {
    const wanted = names.filter((name) => this.acts.writable || !WRITES.has(name));
    return el("div", { class: "thumb-line" }, wanted.map((name) => this.one(name, model, row, ui)));
  }

  // Whoever speaks to the page says what stands on a button: it is part of its name.
  named(shown, said) {
    return !said || said.includes(shown) ? (said ?? shown) : `${shown}: ${said}`;
  }

  one(name, model, row, ui) {
    const act = actOf.get(name);
    const words = {
      normal: w("ball_normal"),
      redo: w("redo_short"),
      won_a: model.pairName("A"),
      won_b: model.pairName("B"),
    };
    const value = row && ui.check ? model.value(row, ui.check) : null;
    const pressed = MARKS.includes(name)
      ? String(value === name)
      : ["easy", "normal", "hard"].includes(name)
        ? String(row?.ball === name)
        : null;
    return button(
      "",
      () => {
        if (name !== "done") this.acts.sure = null;
        this.does[name]();
      },
      {
        class: MARKS.includes(name) ? `mark-button ${name}` : "",
        "aria-pressed": pressed,
        "aria-label": this.named(words[name] ?? act.short, act?.words),
        "data-focus": `thumb-${name}`,
        "data-thumb": name,
      },
      MARKS.includes(name) ? glyph(name) : null,
      words[name] ?? act.short,
    );
  }
}
