// Handing in or publishing away from the sheet: the server is told what this device has written, so that it can
// refuse while some of it has not arrived.
import { written } from "./sheet/store.js";

const steps = document.querySelector("[data-sheet-store]");
const told = new WeakSet();

steps?.addEventListener("submit", async (event) => {
  const form = event.target;
  const field = form.elements.devices;
  if (!field || told.has(form)) return;
  event.preventDefault();
  const [, user, analysis] = steps.dataset.sheetStore.split(".");
  const { device, last } = await written(Number(user), analysis);
  if (device && last) field.value = JSON.stringify({ [device]: last });
  told.add(form);
  form.requestSubmit(event.submitter);
});
