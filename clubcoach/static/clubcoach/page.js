// What every page needs: the choice of light or dark, and a sentence when a request fails.
(() => {
  "use strict";

  function themeChoice() {
    const row = document.querySelector("[data-theme-choice]");
    if (!row) return;
    const select = row.querySelector("select");
    select.value = document.documentElement.dataset.theme || "auto";
    select.addEventListener("change", () => {
      const chosen = select.value;
      if (chosen === "auto") delete document.documentElement.dataset.theme;
      else document.documentElement.dataset.theme = chosen;
      try {
        localStorage.setItem("clubcoach.theme", chosen);
      } catch {
        // The choice then lasts for this page only.
      }
    });
    row.hidden = false;
  }

  function say(kind) {
    const trouble = document.getElementById("trouble");
    if (!trouble) return;
    trouble.hidden = !kind;
    trouble.textContent = kind ? trouble.dataset[kind] : "";
  }

  function openForPrint() {
    for (const drawer of document.querySelectorAll("details:not([open])")) {
      drawer.open = true;
      drawer.dataset.opened = "for print";
    }
  }

  function closeAfterPrint() {
    for (const drawer of document.querySelectorAll("details[data-opened]")) {
      drawer.open = false;
      delete drawer.dataset.opened;
    }
  }

  themeChoice();
  document.addEventListener("htmx:sendError", () => say("offline"));
  document.addEventListener("htmx:timeout", () => say("offline"));
  document.addEventListener("htmx:responseError", () => say("refused"));
  document.addEventListener("htmx:afterOnLoad", (event) => event.detail.successful && say(null));
  document.addEventListener("allauth.error", () => say("passkey"));
  window.addEventListener("beforeprint", openForPrint);
  window.addEventListener("afterprint", closeAfterPrint);
})();
