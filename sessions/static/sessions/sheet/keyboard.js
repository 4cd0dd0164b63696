// Puts the acts on the sheet: as keys, as the buttons of the page, and as large buttons near the thumbs.
import { keysWanted, wantKeys } from "../keys_wanted.js";
import { deeds, listen } from "./keys.js";
import { KeyHelp } from "./keyhelp.js";
import { askBrowser, label } from "./keynames.js";
import { Thumbs } from "./thumbs.js";

export function bindKeys(root, acts, { token, refresh }) {
  const does = deeds(acts);
  const again = () => {
    label(root);
    for (const node of root.querySelectorAll("[data-signature]")) delete node.dataset.signature;
    refresh();
  };
  const help = new KeyHelp(document.getElementById("sheet-help"), {
    areas: acts.model.areas,
    token,
    changed: again,
  });
  const open = () => help.open();
  for (const node of root.querySelectorAll("[data-act]")) {
    const name = node.dataset.act;
    if (name === "help") node.addEventListener("click", open);
    else if (does[name]) node.addEventListener("click", () => does[name]());
  }
  help.dialog.querySelector("[data-close]").addEventListener("click", () => help.dialog.close());
  const keys = document.getElementById("sheet-keys");
  keys.checked = keysWanted();
  keys.addEventListener("change", () => wantKeys(keys.checked));
  listen(root, acts, { help: open, enabled: () => keys.checked });
  askBrowser().then(again);
  return new Thumbs(root.querySelector("[data-part=thumbs]"), acts, does);
}
