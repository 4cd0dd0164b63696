// The strip under a film: with this script a picture moves the film to its place; without it, it opens the picture.
(() => {
  "use strict";

  const here = document.querySelector("[data-film]");
  const video = here && here.querySelector("video");
  if (!video) return;
  const buttons = [];

  function move(button) {
    video.currentTime = button.at;
    video.scrollIntoView({ block: "nearest" });
  }

  for (const link of here.querySelectorAll("a[data-at]")) {
    const button = document.createElement("button");
    button.type = "button";
    button.at = Number(link.dataset.at);
    button.append(...link.childNodes);
    button.addEventListener("click", () => move(button));
    link.replaceWith(button);
    buttons.push(button);
  }

  // The last picture that lies before what is shown.
  function mark() {
    let current = null;
    for (const button of buttons) if (button.at <= video.currentTime + 0.05) current = button;
    for (const button of buttons) {
      if (button === current) button.setAttribute("aria-current", "true");
      else button.removeAttribute("aria-current");
    }
  }

  video.addEventListener("timeupdate", mark);
  video.addEventListener("seeked", mark);
})();
