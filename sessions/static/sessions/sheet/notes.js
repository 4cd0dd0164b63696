// What the sheet says about itself: what is on its way, what was not taken, and where two devices differ.
import { button, el, redraw } from "./dom.js";
import { clock, w } from "./words.js";

// A mark is answered in a moment: only what lasts is worth a word to somebody who listens to the page.
const SOON = 600;

export class Notes {
  constructor({ status, told, list, said }, queue, acts) {
    Object.assign(this, { status, told, list, said, queue, acts });
    this.timer = null;
  }

  say(text) {
    this.said.textContent = text;
  }

  draw() {
    const words = this.words();
    if (this.status.textContent !== words) this.status.textContent = words;
    this.status.dataset.waiting = String(this.queue.waiting);
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.tell(words), SOON);
    const data = [this.queue.notes, this.queue.trouble, this.queue.kept];
    redraw(this.list, data, () => [
      this.trouble(),
      this.store(),
      ...this.queue.notes.map((note) => this.note(note)),
    ]);
  }

  // A tab that only shows has nothing of its own to save.
  words() {
    if (this.queue.trouble?.kind === "other_tab") return "";
    return this.queue.waiting ? w("waiting_n", { n: this.queue.waiting }) : w("all_saved");
  }

  tell(words) {
    if (this.told.textContent !== words) this.told.textContent = words;
  }

  trouble() {
    const trouble = this.queue.trouble;
    if (!trouble) return null;
    const words = w(`trouble_${trouble.kind}`, { message: trouble.message ?? "" });
    return el("p", { class: trouble.final ? "note wrong" : "note" }, words);
  }

  store() {
    return this.queue.kept ? null : el("p", { class: "note wrong" }, w("trouble_store"));
  }

  note(note) {
    const { result } = note;
    const what = this.what(note);
    if (result.status === "conflict") {
      return el(
        "div",
        { class: "note wrong", role: "group", "aria-label": w("differs", { what }) },
        el("p", {}, w("differs", { what })),
        el(
          "p",
          {},
          w("differs_values", { mine: this.values(result.mine), theirs: this.values(result.theirs) }),
        ),
        el(
          "div",
          { class: "actions" },
          button(w("keep_mine"), () => this.acts.insist(note), { "data-focus": `mine-${note.op}` }),
          button(w("take_theirs"), () => this.queue.dismiss(note), { "data-focus": `theirs-${note.op}` }),
        ),
      );
    }
    return el(
      "div",
      { class: "note wrong" },
      el("p", {}, w("not_taken", { what, message: result.message ?? "" })),
      button(w("read_it"), () => this.queue.dismiss(note), { "data-focus": `read-${note.op}` }),
    );
  }

  what(note) {
    const [kind, id] = [note.row.split(":")[0], note.row.slice(note.row.indexOf(":") + 1)];
    const [first, second] = id.split("/");
    const { model } = this.acts;
    if (kind === "rally")
      return w("rally_n", { n: model.find("rally", first)?.number ?? note.body?.number ?? "" });
    if (kind === "closure") {
      return w("area_in_rally", {
        area: model.area.get(second)?.name ?? second,
        n: model.find("rally", first)?.number ?? "",
      });
    }
    if (kind === "proposal") return w("heard_at", { time: clock(model.find("proposal", first)?.start_s) });
    const situation = model.find("situation", first);
    const area = model.area.get(situation?.area ?? note.body?.area)?.name ?? "";
    const n = model.find("rally", situation?.rally ?? note.body?.rally)?.number ?? "";
    return ["mark", "spot"].includes(kind) ? w("check_in_rally", { code: second, n }) : w("area_in_rally", { area, n });
  }

  values({ timed, ...values }) {
    const known = ([name]) =>
      !["film", "u", "v"].includes(name) && (timed !== false || !["start_s", "hit_s"].includes(name));
    const words = timed === false ? [w("without_time")] : [];
    return Object.entries(values)
      .filter(known)
      .map(([name, value]) => this.value(name, value))
      .concat(words)
      .join(", ");
  }

  value(name, value) {
    if (name === "value") return value ? w(`mark_${value}`) : w("open_check");
    if (name === "situations") return value === null ? w("not_done") : w("done_area");
    if (name === "winner") return value === "none" ? w("nobody") : this.acts.model.pairName(value) || "…";
    if (name === "ball") return w(`ball_${value}`);
    if (name === "dismissed") return w(value ? "no_rally_here" : "heard_open");
    if (name === "dropped") return w(value ? "removed" : "there");
    return value === null || value === ""
      ? "…"
      : typeof value === "object"
        ? JSON.stringify(value)
        : String(value);
  }
}
