// Every sentence comes from the server in the reader's language; this file only fills in the values.
const data = (id) => JSON.parse(document.getElementById(id).textContent);
const words = data("sheet-words");

export const config = data("sheet-config");

// What many sentences name, filled in whoever says them: the keys.
export const shared = {};

// A sentence that differs with its number: the language's forms, and which of them each number takes.
function formFor({ forms, which }, n) {
  return forms[Number(which[n < which.length ? n : 100 + (n % 100)])];
}

export function w(key, values = {}) {
  const text = words[key];
  if (text === undefined) throw new Error(`no words for ${key}`);
  return (typeof text === "string" ? text : formFor(text, values.n)).replace(/\{(\w+)\}/g, (whole, name) =>
    name in values ? String(values[name]) : (shared[name] ?? whole),
  );
}

// Bytes in the thousands that disks are sold by; to the hundredth, since two files are told apart by it.
export function sizeWords(bytes) {
  const [unit, key] = bytes >= 1e9 ? [1e9, "gb"] : bytes >= 1e6 ? [1e6, "mb"] : [1e3, "kb"];
  const places = { minimumFractionDigits: 2, maximumFractionDigits: 2 };
  return w(key, { n: (bytes / unit).toLocaleString(document.documentElement.lang, places) });
}

export function clock(seconds, tenths = false) {
  if (seconds === null || seconds === undefined) return "";
  const all = tenths ? Math.round(seconds * 10) / 10 : Math.floor(seconds);
  const hours = Math.floor(all / 3600);
  const minutes = Math.floor((all % 3600) / 60);
  const rest = tenths
    ? (all % 60).toFixed(1).padStart(4, "0")
    : String(Math.floor(all % 60)).padStart(2, "0");
  return hours ? `${hours}:${String(minutes).padStart(2, "0")}:${rest}` : `${minutes}:${rest}`;
}

// "12:34.5", "1:02:07" or plain seconds; null for anything else.
export function readClock(text) {
  const parts = text.trim().replace(",", ".").split(":");
  if (parts.length > 3 || parts.some((part) => !/^\d+(\.\d+)?$/.test(part))) return null;
  return parts.reduce((sum, part) => sum * 60 + Number(part), 0);
}
