// Keys: each act lies on a place of the keyboard, which its person may change; letters belong to the areas of the
// lens. They act only while the focus is inside the sheet, and not at all once the switch is off.
import { actOn } from "./keynames.js";
import { w } from "./words.js";

// Nobody judges twice in this time: a second press of the same key is a slip, and would mark the next check.
const SLIP_MS = 250;
const MARKS = new Set(["met", "missed", "not_seen", "done"]);

const ON_ITSELF = new Set(["Enter", "NumpadEnter", "Space"]);

function typing(target) {
  if (target.closest("dialog, select, textarea, [contenteditable]")) return true;
  const input = target.closest("input");
  return Boolean(input) && !["checkbox", "radio", "button", "submit"].includes(input.type);
}

function letterOf(event) {
  if (/^[a-z]$/i.test(event.key)) return event.key.toLowerCase();
  // A keyboard of another script: the letter that stands there on a Latin one.
  const found = /^Key([A-Z])$/.exec(event.code);
  return found && event.key.length === 1 && event.key > "\u024f" ? found[1].toLowerCase() : null;
}

// What each act does, for its key and for its button alike.
export function deeds(acts) {
  const film = acts.film;
  const second = () => acts.ui.pass === 2;
  return {
    met: () => acts.mark("met"),
    missed: () => acts.mark("missed"),
    not_seen: () => acts.mark("not_seen"),
    easy: () => acts.ball("easy"),
    hard: () => acts.ball("hard"),
    start: () => acts.startRally(),
    won_a: () => acts.endRally("A"),
    won_b: () => acts.endRally("B"),
    won_none: () => acts.endRally("none"),
    slow: () => film.half(),
    faster: () => acts.faster(),
    back: () => film.jump(-2),
    on: () => film.jump(2),
    run: () => film.toggle(),
    before: () => (second() ? acts.step(-1) : acts.move(-1)),
    after: () => (second() ? acts.step(1) : acts.move(1)),
    cell_before: () => acts.cell(-1),
    cell_after: () => acts.cell(1),
    clear: () => acts.mark(null),
    uncover: () => acts.uncover(),
    done: () => acts.closeAll(),
    undo: () => acts.undo(),
    redo: () => acts.redo(),
  };
}

export function listen(region, acts, { help, enabled }) {
  const does = deeds(acts);
  let last = { code: "", at: -Infinity };

  // A part of the sheet that is asking something may take a key before its usual act does: acts.takers.
  function deed(name, event) {
    if (name !== "done") acts.sure = null;
    if (!acts.takers.some((taker) => taker(name, event))) does[name]();
    return true;
  }

  function prompted(event) {
    const digit = /^(?:Digit|Numpad)([1-9])$/.exec(event.code);
    // What is no answer keeps its usual act where facts are asked: a winner can be corrected at once.
    if (digit) return acts.answer(Number(digit[1]) - 1) || !acts.ui.prompt.fact;
    if (event.key === "Escape") {
      acts.ui.prompt = null;
      acts.refresh();
    } else return false;
    return true;
  }

  function act(event) {
    if (event.key === "?") return help() ?? true;
    if ((event.ctrlKey || event.metaKey) && !event.altKey && event.key.toLowerCase() === "z") {
      return deed(event.shiftKey ? "redo" : "undo", event);
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return false;
    const control = event.target.closest("button, a, summary, input");
    if (control && ON_ITSELF.has(event.code)) return false;
    const found = actOn(event.code);
    const letter = letterOf(event);
    const area = letter && acts.model.areas.find((one) => one.key.toLowerCase() === letter);
    // Held down: nothing is written again and again.
    if (event.repeat && !(found?.holds && !area)) return Boolean(found || area || acts.ui.prompt);
    const slip = event.code === last.code && event.timeStamp - last.at < SLIP_MS;
    if (slip && (area ? event.shiftKey : found && MARKS.has(found.act))) {
      acts.say(w("too_quick"));
      return true;
    }
    last = { code: event.code, at: event.timeStamp };
    if (acts.ui.prompt && prompted(event)) return true;
    if (area) {
      if (event.shiftKey) acts.close(area.code);
      else acts.ask(area.code);
      return true;
    }
    if (!found || (event.shiftKey && found.act !== "undo")) return false;
    return deed(event.shiftKey ? "redo" : found.act, event);
  }

  region.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.isComposing || !enabled() || typing(event.target)) return;
    if (act(event)) event.preventDefault();
  });
}
