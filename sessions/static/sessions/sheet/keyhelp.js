// The list of keys, and changing one: press the new key, and it is kept for this person in every club.
import { button, el } from "./dom.js";
import { actOf, codes, keyOf, nameOf, printedOn, take } from "./keynames.js";
import { config, w } from "./words.js";


export class KeyHelp {
  constructor(dialog, { areas, token, changed }) {
    Object.assign(this, { dialog, areas, token, changed, waiting: null });
    this.list = dialog.querySelector("[data-part=keys]");
    this.letters = dialog.querySelector("[data-part=letters]");
    this.said = dialog.querySelector("[data-part=keys-said]");
    dialog.addEventListener("keydown", (event) => this.pressed(event));
    dialog.addEventListener("close", () => (this.waiting = null));
    dialog.querySelector("[data-act=usual]").addEventListener("click", () => this.send({ all: "usual" }));
  }

  open() {
    this.waiting = null;
    this.said.textContent = "";
    this.draw();
    this.dialog.showModal();
  }

  draw() {
    this.list.replaceChildren(...[...actOf.values()].map((act) => this.row(act)));
    this.letters.replaceChildren(
      ...this.areas.filter((area) => area.key).flatMap((area) => this.letter(area)),
      el("div", {}, el("dt", {}, el("kbd", {}, "?")), el("dd", {}, w("key_help"))),
    );
  }

  row(act) {
    const waits = this.waiting === act.act;
    const change = button(
      waits ? w("press_new_key") : w("change_key"),
      () => this.wait(act.act),
      { class: "button quiet", "aria-label": w("change_key_of", { act: act.words }), "data-key-of": act.act },
    );
    return el("div", {}, el("dt", {}, el("kbd", {}, keyOf(act.act))), el("dd", {}, act.words, change));
  }

  letter(area) {
    const keys = (...names) => el("dt", {}, names.flatMap((name) => [el("kbd", {}, name), " "]));
    return [
      el("div", {}, keys(area.key), el("dd", {}, w("key_add", { area: area.name }))),
      el("div", {}, keys(w("shift"), area.key), el("dd", {}, w("key_close", { area: area.name }))),
    ];
  }

  wait(act) {
    this.waiting = act;
    this.said.textContent = w("press_key_for", { act: actOf.get(act).words });
    this.redraw(act);
  }

  redraw(act) {
    this.draw();
    this.list.querySelector(`[data-key-of="${act}"]`)?.focus();
  }

  pressed(event) {
    if (!this.waiting || event.isComposing) return;
    if (event.code === "Tab" || event.repeat || ["Shift", "Control", "Alt", "Meta", "AltGraph"].includes(event.key))
      return;
    event.preventDefault();
    event.stopPropagation();
    const act = this.waiting;
    this.waiting = null;
    if (event.code === "Escape") {
      this.said.textContent = "";
      this.redraw(act);
    } else if (event.ctrlKey || event.altKey || event.metaKey) {
      this.said.textContent = w("key_alone");
      this.redraw(act);
    } else this.send({ act, code: event.code, printed: printedOn(event.code) || event.key.slice(0, 1) });
  }

  async send(body) {
    let answer;
    let data = {};
    try {
      answer = await fetch(config.keys.url, {
        method: "POST",
        headers: { Accept: "application/json", "X-CSRFToken": this.token() },
        body: new URLSearchParams(body),
      });
      data = await answer.json();
    } catch {
      this.said.textContent = w("trouble_offline");
      return;
    }
    if (answer.ok) {
      take(data.keys);
      this.said.textContent = body.act
        ? w("key_is_now", { act: actOf.get(body.act).words, key: nameOf(codes[body.act]) })
        : w("keys_are_usual");
      this.changed();
    } else this.said.textContent = data.message ?? w("trouble_server");
    this.redraw(body.act ?? "");
  }
}

