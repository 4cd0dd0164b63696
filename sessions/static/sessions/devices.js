// Handing in or publishing away from the sheet: the server is told what this device has written, so that it can
// refuse while some of it has not arrived. The sheet keeps the two values under the prefix of person and analysis.
(() => {
  "use strict";

  const steps = document.querySelector("[data-sheet-store]");
  if (!steps) return;

  function written(name) {
    try {
      return JSON.parse(localStorage.getItem(steps.dataset.sheetStore + name));
    } catch {
      return null;
    }
  }

  steps.addEventListener("submit", (event) => {
    const field = event.target.elements.devices;
    const device = written("device");
    const last = written("last");
    if (field && device && last) field.value = JSON.stringify({ [device]: last });
  });
})();
