// Which key each act lies on, and what stands on that key: asked of the browser where it says, else told by its place.
import { config, shared } from "./words.js";

const { acts, places } = config.keys;
let printed = null;

export const actOf = new Map(acts.map((act) => [act.act, act]));
export const codes = { ...config.keys.keys };

export function actOn(code) {
  return acts.find((act) => codes[act.act] === code) ?? null;
}

export function printedOn(code) {
  return (places[code]?.sign && printed?.get(code)) || "";
}

// A digit stands on its key everywhere, also where it needs Shift.
export function nameOf(code) {
  const sign = printedOn(code).toUpperCase();
  const digit = /^Digit(\d)$/.exec(code)?.[1];
  if (digit) return sign && sign !== digit ? `${sign} ${digit}` : digit;
  return sign || places[code]?.short || code;
}

export function keyOf(act) {
  return nameOf(codes[act]);
}

function fill() {
  for (const name of actOf.keys()) shared[`key_${name}`] = keyOf(name);
}

export function take(keys) {
  Object.assign(codes, keys);
  fill();
}

// Writes the names of keys into what the page brought along.
export function label(root) {
  for (const node of root.querySelectorAll("kbd[data-key]")) node.textContent = keyOf(node.dataset.key);
}

export async function askBrowser() {
  try {
    printed = await navigator.keyboard.getLayoutMap();
  } catch {
    printed = null;
  }
  fill();
}

fill();
