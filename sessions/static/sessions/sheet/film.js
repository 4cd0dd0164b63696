// The film beside the sheet, in match time: film time = match time - offset. Without a film a clock of its own
// runs, so that a match can be coded from a film that plays elsewhere.
import { button, el } from "./dom.js";
import { clock, readClock, w } from "./words.js";

const BEFORE = 2;

export class Film {
  constructor(pane, films) {
    this.films = films;
    this.rate = 1;
    this.until = null;
    this.at = 0;
    this.runs = false;
    this.stamp = 0;
    this.listeners = [];
    this.time = el("input", { type: "text", id: "film-time", autocomplete: "off", inputmode: "decimal" });
    this.video = el("video", { preload: "auto", playsinline: true, "aria-label": w("film") });
    this.said = el("p", { class: "film-said soft small", hidden: true });
    pane.replaceChildren(...this.parts());
    this.time.addEventListener("change", () => this.typed());
    if (films.length) this.show(films[0]);
    else this.video.hidden = true;
    for (const event of ["play", "pause", "seeked", "timeupdate"]) {
      this.video.addEventListener(event, () => this.tick(true));
    }
    this.video.addEventListener("error", () => this.say("film_refused"));
    this.loop = this.loop.bind(this);
    this.tick(true);
  }

  parts() {
    this.runButton = button(w("run"), () => this.toggle(), { "data-key": "Space" });
    this.slow = button(w("half_speed"), () => this.half(), { "aria-pressed": "false" });
    const own = el("input", { type: "file", accept: "video/*", on: { change: (event) => this.open(event) } });
    const pick = el("label", { class: "fact own-film" }, el("span", {}, w("own_film")), own);
    const tools = el(
      "div",
      { class: "film-tools" },
      el("label", { class: "film-time" }, el("span", {}, w("match_time")), this.time),
      this.runButton,
      button(w("back"), () => this.jump(-2)),
      button(w("on"), () => this.jump(2)),
      this.slow,
    );
    return [this.video, this.said, tools, this.films.length ? null : pick].filter(Boolean);
  }

  say(key) {
    this.said.textContent = key ? w(key) : "";
    this.said.hidden = !key;
  }

  open(event) {
    const [file] = event.target.files;
    if (!file) return;
    // The film stays on this device: only times and marks travel.
    if (this.own) URL.revokeObjectURL(this.own);
    this.own = URL.createObjectURL(file);
    this.video.hidden = false;
    this.show({ url: this.own, offset_s: 0, duration_s: null });
  }

  show(film, start = null) {
    this.film = film;
    this.say(null);
    this.video.src = film.url;
    this.video.playbackRate = this.rate;
    if (start !== null) {
      this.video.addEventListener(
        "loadedmetadata",
        () => {
          this.video.currentTime = start;
        },
        { once: true },
      );
    }
  }

  filmAt(time) {
    const inside = (film) => film.offset_s <= time && time <= film.offset_s + (film.duration_s ?? Infinity);
    return this.films.find(inside) ?? this.film;
  }

  now() {
    const time = this.film
      ? this.video.currentTime + this.film.offset_s
      : this.at + (this.runs ? ((performance.now() - this.stamp) / 1000) * this.rate : 0);
    return Math.max(0, Math.round(time * 1000) / 1000);
  }

  get running() {
    return this.film ? !this.video.paused && !this.video.ended : this.runs;
  }

  seek(time) {
    const to = Math.max(0, time);
    if (this.film) {
      const film = this.filmAt(to);
      if (film !== this.film) this.show(film, to - film.offset_s);
      else this.video.currentTime = Math.max(0, to - film.offset_s);
    } else {
      this.at = to;
      this.stamp = performance.now();
    }
    this.tick(true);
  }

  run(until = null) {
    this.until = until;
    if (this.film) this.video.play().catch(() => this.say("film_refused"));
    else if (!this.runs) {
      this.runs = true;
      this.stamp = performance.now();
    }
    this.tick(true);
    requestAnimationFrame(this.loop);
  }

  hold() {
    this.until = null;
    if (this.film) this.video.pause();
    else {
      this.at = this.now();
      this.runs = false;
    }
    this.tick(true);
  }

  // To just before a hit, and on to it: there the film stops by itself.
  upTo(hit) {
    this.seek(hit - BEFORE);
    this.run(hit);
  }

  toggle() {
    if (this.running) this.hold();
    else this.run();
  }

  jump(seconds) {
    this.seek(this.now() + seconds);
  }

  half() {
    const at = this.now();
    this.rate = this.rate === 1 ? 0.5 : 1;
    if (this.film) this.video.playbackRate = this.rate;
    else this.seek(at);
    this.slow.setAttribute("aria-pressed", String(this.rate !== 1));
  }

  typed() {
    const time = readClock(this.time.value);
    if (time === null) this.tick(true);
    else this.seek(time);
  }

  loop() {
    if (!this.running) return;
    if (this.until !== null && this.now() >= this.until) {
      const stop = this.until;
      this.hold();
      this.seek(stop);
      return;
    }
    this.tick(false);
    requestAnimationFrame(this.loop);
  }

  tick(whole) {
    if (document.activeElement !== this.time) this.time.value = clock(this.now(), true);
    if (!whole) return;
    this.runButton.textContent = this.running ? w("hold") : w("run");
    for (const listener of this.listeners) listener();
  }
}
