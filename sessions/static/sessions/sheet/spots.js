// Places on the floor, in the film that holds: the lines of the asked check, where feet were clicked, what that is in
// metres, and what follows for the check. Nothing is marked by itself, and marking by eye needs none of it.
import { cross, lines, shape } from "../court/draw.js";
import { button, el, redraw } from "./dom.js";
import { takeAnswer } from "./spot_rows.js";
import { config, w } from "./words.js";

const SURE = 0.8;
const DOUBT = 0.2;
// Four in five of a normal spread lie within so many standard deviations.
const FOUR_IN_FIVE = 1.2816;
const FINE = new Set(["step", "forward"]);
const NUDGES = [
  ["←", "metres_left", -1, 0],
  ["→", "metres_right", 1, 0],
  ["↑", "metres_up", 0, -1],
  ["↓", "metres_down", 0, 1],
];
const round = (value, digits) => Math.round(value * 10 ** digits) / 10 ** digits;

function figure(metres, digits) {
  const places = { minimumFractionDigits: digits, maximumFractionDigits: digits };
  return metres.toLocaleString(document.documentElement.lang, places);
}

export function measureWords(measure, [metres, sd]) {
  const digits = FINE.has(measure) ? 2 : 1;
  const about = figure(Math.max(10 ** -digits, FOUR_IN_FIVE * sd), digits);
  const key = measure === "forward" && metres < 0 ? "metres_back" : `metres_${measure}`;
  return w(key, { m: figure(Math.abs(metres), digits), sd: about });
}

export function proposalWords(chance) {
  const share = (part) => Math.min(99, Math.round(100 * part));
  if (chance > SURE) return w("metres_met", { n: share(chance) });
  if (chance < DOUBT) return w("metres_missed", { n: share(1 - chance) });
  return w("metres_close");
}

export class Spots {
  constructor(film, acts) {
    Object.assign(this, { film, acts, placing: false, number: 1, cross: [640, 360] });
    this.svg = shape("svg", { class: "court-lines", preserveAspectRatio: "xMidYMid meet", "aria-hidden": "true" });
    this.frame = el("div", { class: "film-place", hidden: true });
    this.frame.append(this.svg);
    const box = el("div", { class: "film-box" });
    film.video.replaceWith(box);
    box.append(film.video, this.frame);
    // What is said stands still while the rest is drawn anew, so that it is heard.
    this.said = el("p", { class: "metres-said", role: "status", hidden: true });
    [this.head, this.tools] = [el("div"), el("div")];
    // Beside the pane and not in it: on a phone the pane stays in view and must stay small.
    box.parentElement.after(el("div", { class: "film-metres" }, this.head, this.said, this.tools));
    film.listeners.push(() => this.draw());
    film.video.addEventListener("loadedmetadata", () => this.draw());
    this.listen();
  }

  // What is asked, in which film, at which moment, and how the court lies in it there.
  get now() {
    const { acts } = this;
    const row = acts.situation;
    const check = row && !row.dropped && acts.ui.check ? acts.model.check(row, acts.ui.check) : null;
    const film = acts.model.match.films.find((one) => one.uuid === this.film.film?.uuid);
    if (!check || !film) return null;
    // At its end a browser says a moment that lies a little behind it.
    const at = Math.min(film.duration_s ?? Infinity, round(this.film.video.currentTime, 3));
    const court = (film.court ?? []).filter((view) => view.from_s <= at).at(-1) ?? null;
    const spots = row.spots?.[check.code] ?? {};
    return { row, check, film, at, court, spots, lines: court?.lines[check.code]?.[row.end] ?? [] };
  }

  get size() {
    const { videoWidth, videoHeight } = this.film.video;
    return [videoWidth || 1280, videoHeight || 720];
  }

  draw() {
    const now = this.now;
    const key = now && `${now.row.uuid}/${now.check.code}`;
    if (key !== this.asked) Object.assign(this, { asked: key, placing: false, number: this.firstOpen(now) });
    const held = now && !this.film.running;
    const takes = Boolean(held && now.check.spots && now.court && this.acts.writable);
    if (!takes) this.placing = false;
    this.frame.hidden = !held || !(takes || now.lines.length);
    this.frame.classList.toggle("takes", takes);
    for (const [name, value] of [
      ["tabindex", "0"],
      ["role", "application"],
      ["aria-label", w("metres_frame")],
    ]) {
      if (takes) this.frame.setAttribute(name, value);
      else this.frame.removeAttribute(name);
    }
    if (!this.frame.hidden) this.paint(now);
    const asks = now?.check.spots ? now : null;
    redraw(this.head, [asks?.check, asks?.film.uuid, asks?.court?.from_s, asks?.court?.looked], () => (asks ? this.asking(asks) : []));
    const words = asks?.court ? this.proposal(asks) : null;
    if (this.said.textContent !== (words ?? "")) this.said.textContent = words ?? "";
    this.said.hidden = !words;
    const set = asks?.spots[this.number]?.u != null;
    redraw(this.tools, [takes, asks?.check.code, set, this.placing, this.number], () => (takes ? this.hand(asks, set) : []));
  }

  firstOpen(now) {
    return now?.check.spots === 2 && now.spots[1]?.u != null ? 2 : 1;
  }

  paint(now) {
    const [width, height] = this.size;
    const unit = width / 60;
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const points = (line) => ({ points: line.map(([u, v]) => [round(u * width, 1), round(v * height, 1)]) });
    const set = Object.entries(now.spots).filter(([, spot]) => spot.u !== null && spot.film === now.film.uuid);
    const marks = set.flatMap(([number, { u, v }]) => {
      const [x, y] = [u * width, v * height];
      const label = { x: x + unit * 0.4, y: y - unit * 0.4, "font-size": unit * 0.9 };
      const texts = now.check.spots === 2 ? [{ ...label, class: "halo" }, label] : [];
      return [
        shape("circle", { class: "spot halo", cx: x, cy: y, r: unit * 0.36 }),
        shape("circle", { class: "spot", cx: x, cy: y, r: unit * 0.36 }),
        ...texts.map((one) => shape("text", one, number)),
      ];
    });
    const hand = this.placing ? cross(...this.cross, unit, "cross") : [];
    this.svg.replaceChildren(...lines(now.lines.map(points)), ...marks, ...hand);
  }

  // What the places of the check say, in words; the usual key confirms it.
  proposal(now) {
    const { check, row, spots } = now;
    const set = Object.values(spots).filter((spot) => spot.u !== null && spot.u !== undefined);
    if (!set.length) return null;
    if (set.some((spot) => spot.y_m === undefined)) return w("metres_wait");
    if (set.length < check.spots) return w("metres_one");
    const chance = row.chances?.[check.code];
    if (chance === undefined) return w("metres_nothing");
    return `${measureWords(check.measure, row.measures[check.code])} ${proposalWords(chance)}`;
  }

  asking({ check, court, film }) {
    const url = config.courts?.[film.uuid];
    const link = url ? [" ", el("a", { href: url }, w("metres_place_court"))] : [];
    if (!court) return el("p", { class: "soft small" }, w("metres_no_court"), link);
    const unseen = court.looked === false ? el("p", { class: "soft small" }, w("metres_unseen")) : null;
    const key = check.theirs ? "metres_ask_theirs" : `metres_ask_${check.measure}`;
    return [el("p", { class: "soft small" }, w(key)), unseen];
  }

  hand({ check }, set) {
    const place = { "aria-pressed": String(this.placing), "data-focus": "metres-place" };
    return el(
      "div",
      { class: "actions", role: "group", "aria-label": w("metres_tools") },
      check.spots === 2 ? [1, 2].map((number) => this.choose(number)) : null,
      button(w("metres_place"), () => this.place(!this.placing), place),
      this.placing ? NUDGES.map(([sign, key, du, dv]) => this.nudgeButton(sign, key, du, dv)) : null,
      this.placing ? button(w("metres_here"), () => this.set(...this.cross), { "data-focus": "metres-here" }) : null,
      set ? button(w("metres_out"), () => this.clear(), { class: "button quiet", "data-focus": "metres-out" }) : null,
    );
  }

  choose(number) {
    return button(
      w(`metres_number_${number}`),
      () => {
        this.number = number;
        this.draw();
      },
      { "aria-pressed": String(this.number === number), "data-focus": `metres-${number}` },
    );
  }

  nudgeButton(sign, key, du, dv) {
    return button(sign, () => this.move(du, dv), { "aria-label": w(key), "data-focus": key });
  }

  // By the keyboard: the cross starts where the place is, else in the middle of the check's line.
  place(on) {
    const now = this.now;
    this.placing = on && Boolean(now);
    if (this.placing) {
      const [width, height] = this.size;
      const line = now.lines[0];
      const middle = line && [(line[0][0] + line.at(-1)[0]) / 2, (line[0][1] + line.at(-1)[1]) / 2];
      const there = now.spots[this.number]?.u != null ? now.spots[this.number] : null;
      const [u, v] = there ? [there.u, there.v] : (middle ?? [0.5, 0.6]);
      this.cross = [u * width, v * height];
    }
    this.draw();
    if (this.placing) {
      this.frame.focus({ preventScroll: true });
      this.acts.say(w("metres_hand"));
    }
  }

  move(du, dv) {
    const [width, height] = this.size;
    const inside = (value, most) => Math.min(most, Math.max(0, value));
    this.cross = [inside(this.cross[0] + du, width), inside(this.cross[1] + dv, height)];
    this.paint(this.now);
  }

  set(x, y) {
    const now = this.now;
    const [width, height] = this.size;
    const [u, v] = [round(x / width, 6), round(y / height, 6)];
    if (!now || u < 0 || v < 0 || u > 1 || v > 1) return;
    const { number } = this;
    const target = `${now.row.uuid}/${now.check.code}/${number}`;
    if (!this.acts.send("spot.set", target, { film: now.film.uuid, at_s: now.at, u, v })) return;
    this.acts.say(w("metres_set"));
    if (now.check.spots === 2 && number === 1) this.number = 2;
    this.draw();
  }

  clear() {
    const now = this.now;
    const target = now && `${now.row.uuid}/${now.check.code}/${this.number}`;
    if (!target || !this.acts.send("spot.set", target, { u: null })) return;
    this.acts.say(w("metres_cleared"));
    this.draw();
  }

  // The server has told what a place is in metres.
  answered(row) {
    takeAnswer(this.acts.model, row);
    this.acts.refresh();
  }

  listen() {
    const spot = (event) => {
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
      return [at.x, at.y];
    };
    const taking = () => this.frame.classList.contains("takes");
    this.frame.addEventListener("pointerdown", (event) => {
      if (event.button !== 0 || !taking()) return;
      event.preventDefault();
      if (event.pointerType === "mouse") {
        this.set(...spot(event));
        return;
      }
      // A finger hides what is under it: it moves the cross, and a button sets it.
      this.frame.setPointerCapture(event.pointerId);
      if (!this.placing) this.place(true);
      this.moveTo(spot(event));
    });
    this.frame.addEventListener("pointermove", (event) => {
      if (event.pointerType !== "mouse" && event.buttons && taking()) this.moveTo(spot(event));
    });
    this.frame.addEventListener("keydown", (event) => this.key(event));
  }

  moveTo([x, y]) {
    this.move(x - this.cross[0], y - this.cross[1]);
  }

  key(event) {
    if (event.altKey || event.ctrlKey || event.metaKey || !this.frame.classList.contains("takes")) return;
    const by = event.shiftKey ? 10 : 1;
    const steps = { ArrowLeft: [-by, 0], ArrowRight: [by, 0], ArrowUp: [0, -by], ArrowDown: [0, by] };
    if (steps[event.key] || event.key === "Enter") {
      if (!this.placing) this.place(true);
      else if (event.key === "Enter") this.set(...this.cross);
      else this.move(...steps[event.key]);
    } else if (event.key === "Escape" && this.placing) {
      this.place(false);
      this.tools.querySelector('[data-focus="metres-place"]')?.focus();
    } else return;
    event.preventDefault();
  }
}
