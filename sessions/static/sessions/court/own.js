// A film that stays on the coach's disk: opened here, compared, and never sent.
import { clock, config, w } from "./words.js";

// What differs between a file and the film, in words; nothing if it is the film.
export async function differs(file) {
  const { film } = config;
  if (file.size !== film.size) return w("wrong_size");
  const { differences, factsOf, possible, slicesOf } = await import("../fingerprint.js");
  if (!possible) return w("no_check");
  const facts = await factsOf(file);
  const found = { size: file.size, duration_s: facts?.duration_s ?? null, slices: await slicesOf(file) };
  const differ = differences(film, found);
  if (differ.includes("length")) {
    return w("wrong_duration", { here: clock(found.duration_s), there: clock(film.duration_s) });
  }
  return differ.length ? w("wrong_slices") : "";
}
