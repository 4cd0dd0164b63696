// The picture that is clicked on: the film itself, standing still, or its first picture; drawings over it; a loupe.
import { cross, el, lines, shape } from "./draw.js";
import { clock, config, readClock, tenth, w } from "./words.js";

const LOUPE = { zoom: 6, across: 40, down: 30 };

export class Picture {
  constructor(stage, loupe) {
    this.stage = stage;
    this.listeners = { moved: [], set: [], pointed: [], removed: [], shown: [], step: [] };
    this.size = [config.film.width || 1280, config.film.height || 720];
    this.cross = [this.size[0] / 2, this.size[1] / 2];
    this.at = 0;
    this.overlay = shape("svg", { class: "court-lines", "aria-hidden": "true" });
    this.frame = el("div", {
      class: "court-frame",
      tabindex: "0",
      role: "application",
      "aria-label": w("picture"),
    });
    this.canvas = el("canvas", {
      width: LOUPE.across * LOUPE.zoom,
      height: LOUPE.down * LOUPE.zoom,
      role: "img",
      "aria-label": w("loupe"),
    });
    loupe.replaceChildren(this.canvas);
    stage.prepend(this.frame);
    stage.hidden = false;
    this.frame.append(this.overlay);
    this.drawn = { lines: [], marks: [], spots: [] };
    this.listen();
    this.resize();
  }

  on(name, act) {
    this.listeners[name].push(act);
  }

  tell(name, ...what) {
    for (const act of this.listeners[name]) act(...what);
  }

  // A film that is played by the browser; it never runs here, it only stands at a moment.
  film(url, at) {
    this.video?.remove();
    this.image?.remove();
    this.video = el("video", { preload: "auto", playsinline: true, tabindex: "-1", "aria-hidden": "true" });
    this.video.muted = true;
    this.frame.prepend(this.video);
    this.source = this.video;
    return new Promise((done, failed) => {
      this.video.addEventListener("loadedmetadata", () => {
        this.size = [this.video.videoWidth, this.video.videoHeight];
        this.resize();
        this.video.currentTime = Math.min(at, Math.max(0, this.video.duration - 0.05));
        done();
      });
      this.video.addEventListener("seeked", () => this.shown(this.video.currentTime));
      this.video.addEventListener("loadeddata", () => this.shown(this.video.currentTime));
      this.video.addEventListener("error", failed);
      this.video.src = url;
    });
  }

  still(url, at) {
    this.video?.remove();
    this.image?.remove();
    this.video = null;
    this.image = el("img", { alt: "" });
    this.frame.prepend(this.image);
    this.source = this.image;
    return new Promise((done, failed) => {
      this.image.addEventListener("load", () => {
        this.size = [this.image.naturalWidth, this.image.naturalHeight];
        this.resize();
        this.shown(at);
        done();
      });
      this.image.addEventListener("error", failed);
      this.image.src = url;
    });
  }

  seek(at) {
    if (this.video) this.video.currentTime = Math.max(0, Math.min(at, this.video.duration || at));
  }

  shown(at) {
    this.at = Math.round(at * 1000) / 1000;
    this.frame.dataset.at = this.at;
    this.magnify();
    this.tell("shown", this.at);
  }

  resize() {
    const [width, height] = this.size;
    this.overlay.setAttribute("viewBox", `0 0 ${width} ${height}`);
    // An upright picture as wide as a phone leaves no room beside it for pushing the page on, nor for the buttons.
    this.frame.style.maxWidth = `calc(${height > width ? 60 : 80}svh * ${width / height})`;
    this.move(Math.min(this.cross[0], width), Math.min(this.cross[1], height), false);
  }

  listen() {
    const spot = (event) => {
      const box = this.overlay.getBoundingClientRect();
      const [width, height] = this.size;
      return [((event.clientX - box.left) / box.width) * width, ((event.clientY - box.top) / box.height) * height];
    };
    this.frame.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      event.preventDefault();
      this.frame.focus({ preventScroll: true });
      this.frame.setPointerCapture(event.pointerId);
      this.move(...spot(event), true);
      // A mouse sets where it clicks. A finger hides what is under it: it moves the cross, and a button sets it.
      if (event.pointerType === "mouse") this.tell("set", ...this.cross);
    });
    this.frame.addEventListener("pointermove", (event) => {
      if (event.pointerType !== "mouse") {
        if (event.buttons) this.move(...spot(event), true);
      } else this.magnify(spot(event));
    });
    this.frame.addEventListener("pointerup", (event) => {
      if (event.pointerType !== "mouse") this.tell("pointed");
    });
    this.frame.addEventListener("pointerleave", () => this.magnify());
    this.frame.addEventListener("keydown", (event) => this.key(event));
  }

  key(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const by = event.shiftKey ? 10 : 1;
    const steps = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, -by], ArrowDown: [0, by] };
    if (steps[event.key]) this.nudge(...steps[event.key]);
    else if (event.key === "Enter") this.tell("set", ...this.cross);
    else if (event.key === "Delete" || event.key === "Backspace") this.tell("removed");
    else if (event.key === "PageDown") this.tell("step", 1);
    else if (event.key === "PageUp") this.tell("step", -1);
    else return;
    event.preventDefault();
  }

  nudge(du, dv) {
    this.move(this.cross[0] + du, this.cross[1] + dv, true);
  }

  // `byHand`: somebody moved it; otherwise the page put it where it expects the landmark.
  move(u, v, byHand) {
    const [width, height] = this.size;
    this.cross = [tenth(Math.max(0, Math.min(width, u))), tenth(Math.max(0, Math.min(height, v)))];
    this.byHand = byHand;
    this.paint();
    this.magnify();
    if (byHand) this.tell("moved", ...this.cross);
  }

  draw(part, rows) {
    this.drawn[part] = rows;
    this.paint();
  }

  paint() {
    const size = this.size[0] / 60;
    const marks = this.drawn.marks.map(({ u, v, number, now }) =>
      shape(
        "g",
        { class: now ? "set now" : "set" },
        cross(u, v, size * 0.6, "mark"),
        shape("text", { class: "halo", x: u + size * 0.35, y: v - size * 0.35, "font-size": size * 0.9 }, String(number)),
        shape("text", { x: u + size * 0.35, y: v - size * 0.35, "font-size": size * 0.9 }, String(number)),
      ),
    );
    const spots = this.drawn.spots.map(({ u, v }) => shape("circle", { class: "spot", cx: u, cy: v, r: size * 0.3 }));
    this.overlay.replaceChildren(...lines(this.drawn.lines), ...marks, ...spots, ...cross(...this.cross, size, "cross"));
  }

  magnify(at = this.cross) {
    const pen = this.canvas.getContext("2d");
    const { zoom, across, down } = LOUPE;
    const [left, top] = [at[0] - across / 2, at[1] - down / 2];
    pen.imageSmoothingEnabled = false;
    pen.clearRect(0, 0, across * zoom, down * zoom);
    if (this.source) {
      try {
        pen.drawImage(this.source, left, top, across, down, 0, 0, across * zoom, down * zoom);
      } catch {
        // Nothing to show yet.
      }
    }
    const [x, y] = [(across * zoom) / 2, (down * zoom) / 2];
    const inks = getComputedStyle(document.documentElement);
    for (const [ink, width] of [["--ink", 3], ["--on-ink", 1]]) {
      pen.strokeStyle = inks.getPropertyValue(ink);
      pen.lineWidth = width;
      pen.beginPath();
      for (const sign of [-1, 1]) {
        pen.moveTo(x + sign * zoom * 0.7, y);
        pen.lineTo(x + sign * zoom * 8, y);
        pen.moveTo(x, y + sign * zoom * 0.7);
        pen.lineTo(x, y + sign * zoom * 8);
      }
      pen.stroke();
    }
  }
}

// Another moment of the film: typed, stepped to, or by its small picture.
export function moments(picture, say) {
  const time = el("input", { type: "text", id: "court-time", autocomplete: "off", inputmode: "decimal" });
  const to = (at) => picture.seek(at);
  time.addEventListener("change", () => {
    const at = readClock(time.value);
    if (at === null) say(w("bad_time"));
    else to(at);
  });
  time.addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    time.dispatchEvent(new Event("change"));
  });
  picture.on("shown", (at) => {
    time.value = clock(at);
  });
  const step = (by, text) => el("button", { type: "button", on: { click: () => to(picture.at + by) } }, text);
  const strip = config.strip.map(({ at, url, words }) =>
    el(
      "button",
      { type: "button", class: "court-moment", "aria-label": w("at", { at: words }), on: { click: () => to(at) } },
      el("img", { src: url, alt: "", loading: "lazy" }),
    ),
  );
  return { time, back: step(-1, "−1 s"), on: step(1, "+1 s"), strip };
}
