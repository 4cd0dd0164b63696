// The film beside the sheet, in match time: film time = match time - offset. Without a film a clock of its own
// runs, so that a match can be coded from a film that plays elsewhere. A film that stays on a coach's disk is asked
// for, and plays once the file is known to be that film.
import { differences, factsOf, possible, slicesOf } from "../fingerprint.js";
import { button, el } from "./dom.js";
import { clock, readClock, sizeWords, w } from "./words.js";

const BEFORE = 2;
// How fast the first pass may run, one after the other by the same key.
const QUICK = [1, 1.5, 2];
// What is said without anything being wrong.
const PLAIN = new Set([null, "film_away_why", "film_checking", "film_ends_before"]);

export class Film {
  constructor(pane, films) {
    this.films = films;
    this.rate = 1;
    this.quick = QUICK[0];
    this.halved = false;
    this.pass = 1;
    this.until = null;
    this.at = 0;
    this.runs = false;
    this.stamp = 0;
    this.listeners = [];
    this.time = el("input", { type: "text", id: "film-time", autocomplete: "off", inputmode: "decimal" });
    this.video = el("video", { preload: "auto", playsinline: true, "aria-label": w("film") });
    this.said = el("p", { class: "film-said soft small", role: "status", hidden: true });
    this.opened = new Map();
    pane.replaceChildren(...this.parts());
    this.setRate();
    this.time.addEventListener("change", () => this.typed());
    this.video.hidden = true;
    if (films.length) this.show(films[0]);
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
    this.quickButton = button("", () => this.faster(), { "data-focus": "faster" });
    const own = el("input", { type: "file", accept: "video/*,.mkv", on: { change: (event) => this.open(event) } });
    this.pickWords = el("span", {}, w("own_film"));
    this.pick = el("label", { class: "fact own-film", hidden: this.films.length > 0 }, this.pickWords, own);
    const tools = el(
      "div",
      { class: "film-tools" },
      el("label", { class: "film-time" }, el("span", {}, w("match_time")), this.time),
      this.runButton,
      button(w("back"), () => this.jump(-2)),
      button(w("on"), () => this.jump(2)),
      this.slow,
      this.quickButton,
    );
    return [this.video, this.said, this.pick, tools];
  }

  say(key, values = {}) {
    this.saidKey = key;
    this.said.textContent = key ? w(key, values) : "";
    this.said.className = `film-said ${PLAIN.has(key) ? "soft small" : "note wrong"}`;
    this.said.hidden = !key;
  }

  open(event) {
    const [file] = event.target.files;
    if (!file) return;
    if (this.films.length) {
      this.check(file);
      return;
    }
    // The film stays on this device: only times and marks travel.
    if (this.own) URL.revokeObjectURL(this.own);
    this.own = URL.createObjectURL(file);
    this.show({ url: this.own, offset_s: 0, duration_s: null });
  }

  // Whether a file is one of the films that stay away; the wrong one is not played, since every mark would be off.
  async check(file) {
    const away = this.films.filter((film) => film.state === "away");
    const asked = this.wanted ?? away[0];
    this.say(possible ? "film_checking" : "film_insecure");
    if (!possible) return;
    let facts;
    let slices;
    try {
      [facts, slices] = await Promise.all([factsOf(file), slicesOf(file)]);
    } catch {
      this.say("film_unreadable");
      return;
    }
    const found = { size: file.size, slices, duration_s: facts?.duration_s ?? null };
    const film = away.find((one) => !differences(one, found).length);
    if (!film) this.sayWrong(file, asked, found);
    else if (!facts) this.say("film_unplayable");
    else {
      const time = this.now();
      this.opened.set(film.uuid, URL.createObjectURL(file));
      this.show(film, Math.max(0, time - film.offset_s));
      this.tick(true);
    }
  }

  sayWrong(file, asked, found) {
    const values = {
      size: [sizeWords(found.size), sizeWords(asked.size)],
      length: [clock(found.duration_s, true), clock(asked.duration_s, true)],
    };
    const said = differences(asked, found).map((what) => {
      const [here, there] = values[what] ?? [];
      return w(`differs_${what}`, { here, there });
    });
    this.say("film_wrong", { file: file.name, name: asked.name, differs: said.join(" ") });
  }

  urlOf(film) {
    return film.state === "away" ? this.opened.get(film.uuid) : film.url;
  }

  // A film that stays away is asked for; until its file is open the sheet's own clock runs.
  askFor(film, time) {
    this.video.pause();
    this.at = time;
    this.runs = false;
    this.film = null;
    this.wanted = film;
    this.video.removeAttribute("src");
    this.video.load();
    this.video.hidden = true;
    this.pickWords.textContent = w("film_away", { name: film.name });
    this.pick.hidden = false;
    this.say("film_away_why");
  }

  show(film, start = null) {
    const url = this.urlOf(film);
    if (!url) {
      this.askFor(film, start === null ? Math.max(0, film.offset_s) : start + film.offset_s);
      return;
    }
    this.film = film;
    this.wanted = null;
    this.say(null);
    this.video.hidden = false;
    this.pick.hidden = this.films.length > 0;
    this.video.src = url;
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
    return this.films.find(inside) ?? this.film ?? this.wanted ?? null;
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
    const film = this.filmAt(to);
    if (film && film !== this.film && film !== this.wanted) this.show(film, to - film.offset_s);
    else if (this.film) this.video.currentTime = Math.max(0, to - film.offset_s);
    else {
      this.at = to;
      this.stamp = performance.now();
    }
    this.tick(true);
  }

  run(until = null) {
    this.until = until;
    if (this.film) this.play();
    else if (!this.runs) {
      this.runs = true;
      this.stamp = performance.now();
    }
    this.tick(true);
    requestAnimationFrame(this.loop);
  }

  play() {
    // Held, or moved to another film, before it had begun to run: nothing was refused.
    this.video.play().catch((error) => error.name === "AbortError" || this.say("film_refused"));
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
    this.halved = !this.halved;
    this.setRate();
  }

  // The first pass may run faster than the match was played; what is judged is seen as it was.
  faster() {
    this.quick = QUICK[(QUICK.indexOf(this.quick) + 1) % QUICK.length];
    this.halved = false;
    this.setRate();
    return this.quick;
  }

  pace(pass) {
    if (this.pass === pass) return;
    this.pass = pass;
    this.setRate();
  }

  setRate() {
    const at = this.now();
    this.rate = this.halved ? 0.5 : this.pass === 1 ? this.quick : 1;
    if (this.film) this.video.playbackRate = this.rate;
    else {
      this.at = at;
      this.stamp = performance.now();
    }
    this.slow.setAttribute("aria-pressed", String(this.halved));
    this.quickButton.textContent = w("speed_is", { n: this.quick.toLocaleString(document.documentElement.lang) });
    this.quickButton.hidden = this.pass !== 1;
  }

  // Whether there is a picture of a moment, or none at all is needed; a rally behind the end of the film is told.
  shows(time) {
    const end = this.lastMoment();
    const behind = time >= end;
    if (behind) this.say("film_ends_before", { time: clock(end) });
    else if (this.saidKey === "film_ends_before") this.say(null);
    return !behind;
  }

  lastMoment() {
    const ends = this.films.map((film) => film.offset_s + (film.duration_s ?? Infinity));
    if (ends.length) return Math.max(...ends);
    return this.film && Number.isFinite(this.video.duration) ? this.video.duration : Infinity;
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
