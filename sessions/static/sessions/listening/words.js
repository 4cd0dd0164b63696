// Every sentence comes from the server in the reader's language; this file only fills in the values.
const data = (id) => JSON.parse(document.getElementById(id).textContent);
const words = data("listening-words");

export const config = data("listening-config");

export function w(key, values = {}) {
  const text = words[key];
  if (text === undefined) throw new Error(`no words for ${key}`);
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));
}

// As the fields of times take it: minutes and seconds, to the thousandth.
export function exact(seconds) {
  const thousandths = Math.max(0, Math.round(seconds * 1000));
  const minutes = Math.floor(thousandths / 60000);
  const rest = ((thousandths % 60000) / 1000).toFixed(3).padStart(6, "0").replace(/\.?0+$/, "");
  const hours = Math.floor(minutes / 60);
  return hours ? `${hours}:${String(minutes % 60).padStart(2, "0")}:${rest}` : `${minutes}:${rest}`;
}

export const tenth = (seconds) => exact(Math.round(seconds * 10) / 10);
