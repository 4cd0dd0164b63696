// Keys as on the sheet: fixed ones on the number row, by position, and arrows. They act only while the focus is inside
// the film and the list, not while somebody types, and not at all once the switch is off.
const ON_ITSELF = new Set(["Enter", "NumpadEnter", "Space"]);

const PLAIN = {
  Digit1: "accept",
  Digit2: "dismiss",
  Digit3: "reopen",
  Digit4: "picture_back",
  Digit5: "picture_on",
  Digit6: "start_here",
  Digit7: "end_here",
  Digit8: "this_hit",
  Digit9: "skip",
  Digit0: "half",
  Minus: "back",
  Equal: "on",
  Space: "toggle",
  Enter: "whole",
  ArrowUp: "rally_before",
  ArrowDown: "rally_after",
  ArrowLeft: "hit_before",
  ArrowRight: "hit_after",
  Backspace: "undo",
};
// What a key does again and again while it is held down; a decision is made once.
const HELD = new Set(["picture_back", "picture_on", "back", "on", "rally_before", "rally_after", "hit_before", "hit_after"]);
const SHIFTED = { Digit6: "new_start", Digit7: "new_end" };

function typing(target) {
  if (target.closest("dialog, select, textarea, [contenteditable]")) return true;
  const input = target.closest("input");
  return Boolean(input) && !["checkbox", "radio", "button", "submit"].includes(input.type);
}

function wanted(event) {
  if (event.key === "?") return "help";
  if (event.ctrlKey || event.metaKey || event.altKey) return null;
  if (event.target.closest("button, a, summary, input") && ON_ITSELF.has(event.code)) return null;
  return (event.shiftKey ? SHIFTED : PLAIN)[event.code] ?? null;
}

export function listen(region, acts, enabled) {
  region.addEventListener(
    "keydown",
    (event) => {
      if (event.defaultPrevented || event.isComposing || !enabled() || typing(event.target)) return;
      const name = wanted(event);
      const act = acts[name];
      if (!act) return;
      event.preventDefault();
      if (!event.repeat || HELD.has(name)) act();
    },
    // Before the film's own controls take the arrows for themselves.
    true,
  );
}
