// Every sentence comes from the server in the reader's language; this file only fills in the values.
const data = (id) => JSON.parse(document.getElementById(id).textContent);
const words = data("court-words");

export const config = data("court-config");

export function w(key, values = {}) {
  const text = words[key];
  if (text === undefined) throw new Error(`no words for ${key}`);
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));
}

export function clock(seconds) {
  const all = Math.round(seconds * 10) / 10;
  const hours = Math.floor(all / 3600);
  const minutes = Math.floor((all % 3600) / 60);
  const rest = (all % 60).toFixed(1).padStart(4, "0");
  return hours ? `${hours}:${String(minutes).padStart(2, "0")}:${rest}` : `${minutes}:${rest}`;
}

// "12:34.5", "1:02:07" or plain seconds; null for anything else.
export function readClock(text) {
  const parts = text.trim().replace(",", ".").split(":");
  if (parts.length > 3 || parts.some((part) => !/^\d+(\.\d+)?$/.test(part))) return null;
  return parts.reduce((sum, part) => sum * 60 + Number(part), 0);
}

export const tenth = (value) => Math.round(value * 10) / 10;
