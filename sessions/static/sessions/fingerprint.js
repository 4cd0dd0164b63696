// By what a film is known again while it stays where it is: its size, three slices of it, and how long it is. The
// server works the same out (sessions/fingerprint.py); docs/films.md says how.
const SLICE = 1024 * 1024;
// Browsers differ in the last digit of a film's length, never in its bytes.
const SAME_LENGTH_S = 0.5;

// Only a secure page may work out digests.
export const possible = Boolean(window.isSecureContext && window.crypto?.subtle);

export async function slicesOf(file) {
  const { size } = file;
  const starts = size <= 3 * SLICE ? [] : [0, Math.floor((size - SLICE) / 2), size - SLICE];
  const slices = starts.length ? starts.map((start) => file.slice(start, start + SLICE)) : [file];
  const bytes = await new Blob([`${size}\n`, ...slices]).arrayBuffer();
  const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", bytes));
  return Array.from(digest, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

// What the browser can say of a film; null where it cannot play it.
export function factsOf(file) {
  const video = document.createElement("video");
  const url = URL.createObjectURL(file);
  return new Promise((resolve) => {
    const end = (facts) => {
      clearTimeout(late);
      video.removeAttribute("src");
      video.load();
      URL.revokeObjectURL(url);
      resolve(facts);
    };
    const late = setTimeout(() => end(null), 15000);
    video.preload = "metadata";
    video.muted = true;
    video.addEventListener("error", () => end(null), { once: true });
    video.addEventListener("loadeddata", () => {
      const { duration, videoWidth: width, videoHeight: height } = video;
      const plays = Number.isFinite(duration) && duration > 0 && width > 0;
      end(plays ? { duration_s: Math.round(duration * 10) / 10, width, height } : null);
    });
    video.src = url;
  });
}

// In what a file differs from a film that stays away: an empty list means that it is the film. A file that the browser
// cannot play has no length here.
export function differences(film, found) {
  const differ = [];
  if (film.size !== found.size) differ.push("size");
  const known = found.duration_s !== null;
  if (known && Math.abs(film.duration_s - found.duration_s) > SAME_LENGTH_S) differ.push("length");
  if (!differ.length && film.slices !== found.slices) differ.push("content");
  return differ;
}
