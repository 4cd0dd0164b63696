// Runs before the first paint, or a dark page would flash white.
(() => {
  "use strict";
  let chosen = null;
  try {
    chosen = localStorage.getItem("clubcoach.theme");
  } catch {
    // Storage may be forbidden; then the page follows the device.
  }
  if (chosen === "light" || chosen === "dark") document.documentElement.dataset.theme = chosen;
})();
