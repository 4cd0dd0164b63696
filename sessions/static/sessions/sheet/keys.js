// Keys: everything fixed lies on the number row, by position; letters belong to the areas of the lens. They act
// only while the focus is inside the sheet, and not at all once the switch is off.
const CHOICE = "sheet.keys";

export function keysWanted() {
  try {
    return localStorage.getItem(CHOICE) !== "off";
  } catch {
    return true;
  }
}

export function wantKeys(on) {
  try {
    localStorage.setItem(CHOICE, on ? "on" : "off");
  } catch {
    // The choice then lasts for this page only.
  }
}

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

export function listen(region, acts, { help, enabled }) {
  const film = acts.film;
  const plain = {
    Digit1: () => acts.mark("met"),
    Digit2: () => acts.mark("missed"),
    Digit3: () => acts.mark("not_seen"),
    Digit4: () => acts.ball("easy"),
    Digit5: () => acts.ball("hard"),
    Digit6: () => acts.startRally(),
    Digit7: () => acts.endRally("A"),
    Digit8: () => acts.endRally("B"),
    Digit9: () => acts.endRally("none"),
    Digit0: () => film.half(),
    Minus: () => film.jump(-2),
    Equal: () => film.jump(2),
    Space: () => film.toggle(),
    ArrowUp: () => (acts.ui.pass === 2 ? acts.step(-1) : acts.move(-1)),
    ArrowDown: () => (acts.ui.pass === 2 ? acts.step(1) : acts.move(1)),
    ArrowLeft: () => acts.cell(-1),
    ArrowRight: () => acts.cell(1),
    Delete: () => acts.mark(null),
    Enter: () => acts.closeAll(),
    Backspace: () => acts.undo(),
  };

  function prompted(event) {
    const digit = /^Digit([1-9])$/.exec(event.code);
    if (digit) acts.answer(Number(digit[1]) - 1);
    else if (event.key === "Escape") {
      acts.ui.prompt = null;
      acts.refresh();
    } else return false;
    return true;
  }

  function act(event) {
    if (event.key === "?") return help() ?? true;
    if ((event.ctrlKey || event.metaKey) && !event.altKey && event.key.toLowerCase() === "z") {
      if (event.shiftKey) acts.redo();
      else acts.undo();
      return true;
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return false;
    if (acts.ui.prompt && prompted(event)) return true;
    const control = event.target.closest("button, a, summary, input");
    if (control && ON_ITSELF.has(event.code)) return false;
    if (event.shiftKey && event.code === "Backspace") return acts.redo() ?? true;
    const letter = letterOf(event);
    const area = letter && acts.model.areas.find((one) => one.key.toLowerCase() === letter);
    if (area) {
      if (event.shiftKey) acts.close(area.code);
      else acts.ask(area.code);
      return true;
    }
    if (event.shiftKey || !plain[event.code]) return false;
    plain[event.code]();
    return true;
  }

  region.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.isComposing || !enabled() || typing(event.target)) return;
    if (act(event)) event.preventDefault();
  });
}
