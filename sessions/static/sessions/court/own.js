// A film that stays on the coach's disk: opened here, compared, and never sent.
import { clock, config, w } from "./words.js";

// What differs between a file and the film, in words; nothing if it is the film.
export async function differs(file) {
  const film = config.film;
  if (file.size !== film.size) return w("wrong_size");
  let here;
  try {
    const { fingerprint } = await import("../fingerprint.js");
    here = await fingerprint(file);
  } catch {
    return w("no_check");
  }
  if (here.slices !== film.slices) return w("wrong_slices");
  if (here.duration_s && Math.abs(here.duration_s - film.duration_s) > 0.15) {
    return w("wrong_duration", { here: clock(here.duration_s), there: clock(film.duration_s) });
  }
  return "";
}
