// Whether single keys act on this device: one choice for the sheet and for the listening page.
const CHOICE = "sheet.keys";

export function keysWanted() {
  try {
    return localStorage.getItem(CHOICE) !== "off";
  } catch {
    return true;
  }
}

export function wantKeys(on) {
  try {
    localStorage.setItem(CHOICE, on ? "on" : "off");
  } catch {
    // The choice then lasts for this page only.
  }
}
