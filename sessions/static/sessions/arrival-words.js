// Sentences come from the server in the reader's language; this file only fills in the values.
const data = (id) => JSON.parse(document.getElementById(id)?.textContent ?? "{}");
const words = data("arrival-words");
export const config = data("arrival-config");

export function w(key, values = {}) {
  const text = words[key];
  if (text === undefined) throw new Error(`no words for ${key}`);
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));
}

export function number(value, decimals = 0) {
  return value.toLocaleString(document.documentElement.lang, {
    minimumFractionDigits: decimals,
    maximumFractionDigits: decimals,
  });
}

export function sizeWords(bytes, say = w) {
  const [unit, key] = bytes >= 1e9 ? [1e9, "gb"] : bytes >= 1e6 ? [1e6, "mb"] : [1e3, "kb"];
  const figure = bytes / unit;
  return say(key, { n: number(figure, figure < 10 ? 1 : 0) });
}

export function clock(seconds) {
  const all = Math.floor(seconds);
  const [hours, minutes, rest] = [Math.floor(all / 3600), Math.floor((all % 3600) / 60), all % 60];
  const two = (value) => String(value).padStart(2, "0");
  return hours ? `${hours}:${two(minutes)}:${two(rest)}` : `${minutes}:${two(rest)}`;
}

// "12:30" or "1:02:30" as seconds; null where nothing is written, undefined for anything else.
export function readClock(text) {
  if (!text.trim()) return null;
  const found = /^(?:(\d{1,2}):)?(\d{1,3}):([0-5]\d)$/.exec(text.trim());
  return found ? Number(found[1] ?? 0) * 3600 + Number(found[2]) * 60 + Number(found[3]) : undefined;
}

export function leftWords(seconds) {
  const minutes = Math.round(seconds / 60);
  if (seconds < 50) return w("left_seconds");
  if (minutes < 2) return w("left_minute");
  if (minutes < 90) return w("left_minutes", { n: minutes });
  return w("left_hours", { n: number(seconds / 3600, 1) });
}
