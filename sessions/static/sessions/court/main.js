// Placing the court: landmark after landmark, tried as soon as four are set, drawn back, kept; then feet in metres.
import { el } from "./draw.js";
import { ask, Refused } from "./ask.js";
import { differs } from "./own.js";
import { moments, Picture } from "./picture.js";
import { result } from "./result.js";
import { clock, config, tenth, w } from "./words.js";

const form = document.querySelector("[data-court]");
const part = (name) => form.querySelector(`[data-part=${name}]`);
const told = part("told");
const landmarks = config.landmarks;
const FEWEST = 4;

let chosen = landmarks.find(({ name }) => name === config.chosen) ?? landmarks[0];
let expected = {};
let mode = "set";
let saved = config.saved;
let asked = 0;

const picture = new Picture(part("stage"), part("loupe"));

function say(text) {
  told.textContent = text;
}

const field = (name) => form.elements[name];
const row = ({ name }) => form.querySelector(`[data-landmark="${CSS.escape(name)}"]`);
const fields = ({ number }) => [field(`u_${number}`), field(`v_${number}`)];

function place(landmark) {
  const texts = fields(landmark).map((input) => input.value.trim().replace(",", "."));
  const numbers = texts.map(Number);
  return texts.every(Boolean) && numbers.every(Number.isFinite) ? numbers : null;
}

function places() {
  return Object.fromEntries(
    landmarks.map((landmark) => [landmark.name, place(landmark)]).filter(([, at]) => at !== null),
  );
}

function marks() {
  return landmarks.flatMap((landmark) => {
    const at = place(landmark);
    return at ? [{ u: at[0], v: at[1], number: landmark.number, now: landmark === chosen }] : [];
  });
}

function choose(landmark, quiet = false) {
  chosen = landmark;
  for (const other of landmarks) {
    if (other === landmark) row(other).setAttribute("aria-current", "true");
    else row(other).removeAttribute("aria-current");
    document.querySelector(`[data-mark="${CSS.escape(other.name)}"]`)?.classList.toggle("now", other === landmark);
  }
  row(landmark).querySelector("input[type=radio]").checked = true;
  const at = place(landmark) ?? expected[landmark.name];
  if (at) picture.move(at[0], at[1], false);
  picture.draw("marks", marks());
  if (!quiet) say(w("chosen", landmark));
}

function nextOpen() {
  const start = landmarks.indexOf(chosen) + 1;
  const order = [...landmarks.slice(start), ...landmarks.slice(0, start)];
  // What lies outside the picture by what is known already is not asked for.
  const known = Object.keys(expected).length > 0;
  return order.find((one) => !place(one) && (!known || one.name in expected));
}

function set(u, v) {
  if (mode === "measure") return measure(u, v);
  if (!config.may_edit) return undefined;
  if (!place(chosen) && expected[chosen.name] && !picture.byHand) return say(w("move_first"));
  const done = chosen;
  const [left, top] = fields(chosen);
  [left.value, top.value] = [tenth(u), tenth(v)];
  changed();
  const next = nextOpen();
  if (next) choose(next, true);
  else choose(done, true);
  say(`${w("set", { ...done, u: tenth(u), v: tenth(v) })} ${next ? w("chosen", next) : w("all_set")}`);
  return undefined;
}

function remove() {
  if (!config.may_edit || mode !== "set") return;
  for (const input of fields(chosen)) input.value = "";
  changed();
  const done = chosen;
  step(1, true);
  say(`${w("out", done)} ${w("chosen", chosen)}`);
}

function step(by, quiet = false) {
  const at = (landmarks.indexOf(chosen) + by + landmarks.length) % landmarks.length;
  choose(landmarks[at], quiet);
}

// Landmarks have changed: what was said about the old ones no longer holds.
function changed() {
  saved = false;
  const looked = field("looked");
  if (looked) [looked.checked, looked.disabled] = [false, true];
  part("state").textContent = w("changed");
  picture.draw("marks", marks());
  picture.draw("spots", []);
  tryNow();
}

async function tryNow() {
  const turn = ++asked;
  const sent = places();
  const count = Object.keys(sent).length;
  if (count < FEWEST) {
    expected = {};
    picture.draw("lines", []);
    part("result").replaceChildren(el("p", {}, w("too_few", { n: count })));
    offs([]);
    return;
  }
  try {
    const body = { width: size("width"), height: size("height"), landmarks: sent };
    const answer = await ask(config.court, "POST", body);
    if (turn === asked) shown(answer);
  } catch (error) {
    if (turn !== asked) return;
    picture.draw("lines", []);
    offs([]);
    const text = error instanceof Refused ? error.message : w("not_reached");
    part("result").replaceChildren(el("p", { class: "note wrong", role: "alert" }, text));
  }
}

function shown(answer) {
  expected = answer.expected;
  picture.draw("lines", answer.lines);
  part("result").replaceChildren(result(answer));
  offs(answer.landmarks);
  const looked = field("looked");
  if (looked) looked.disabled = false;
  // Heard by who does not see the table: the landmark to look at again, else how good the view is by now.
  if (!saved) part("state").textContent = `${w("changed")} ${answer.worst || answer.zone_words}`;
  if (!place(chosen) && !picture.byHand) choose(chosen, true);
}

function offs(rows) {
  const words = Object.fromEntries(rows.map((one) => [one.name, one.words]));
  for (const landmark of landmarks) {
    row(landmark).querySelector("[data-part=off]").textContent = words[landmark.name] ?? "";
  }
}

const size = (name) => Math.round(Number(field(name).value)) || 0;
const second = (name) => Number(field(name).value.replace(",", "."));

async function save(event) {
  if (event.submitter?.value !== "save") return;
  event.preventDefault();
  const body = {
    from_s: second("from_s"),
    at_s: second("at_s"),
    width: size("width"),
    height: size("height"),
    landmarks: places(),
    looked: field("looked").checked,
  };
  try {
    const answer = await ask(config.court, "PUT", body);
    saved = true;
    shown(answer.fit);
    part("state").textContent = w("saved");
    await refresh(answer.view.from_s);
  } catch (error) {
    part("state").textContent = error instanceof Refused ? error.message : w("not_reached");
  }
}

// The list of views as the server now tells it; the picture stays, also of a film from one's own disk.
async function refresh(from) {
  const answer = await fetch(`${config.page}?from=${from}`, { credentials: "same-origin" });
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const id of answer.ok ? ["court-views", "court-heading"] : []) {
    const now = page.getElementById(id);
    if (now) document.getElementById(id).replaceWith(now);
  }
}

async function measure(u, v) {
  if (!saved) return say(w("measure_first"));
  picture.draw("spots", [{ u, v }]);
  say("");
  const [across, down] = [size("width") / picture.size[0], size("height") / picture.size[1]];
  try {
    const body = { at_s: picture.at, points: [[u * across, v * down]] };
    const answer = await ask(config.spots, "POST", body);
    say(answer.spots[0].words);
  } catch (error) {
    say(error instanceof Refused ? error.message : w("not_reached"));
  }
  return undefined;
}

function setMode(to) {
  mode = to;
  for (const button of form.querySelectorAll("[data-mode]")) {
    button.setAttribute("aria-pressed", String(button.dataset.mode === to));
  }
  picture.draw("spots", []);
  if (to === "measure") say(saved ? w("measure") : w("measure_first"));
  else say(w("chosen", chosen));
}

function tools() {
  const parts = moments(picture, say);
  const modeButton = (name, text) =>
    el("button", { type: "button", "data-mode": name, "aria-pressed": String(name === mode), on: { click: () => setMode(name) } }, text);
  const nudge = (text, label, du, dv) =>
    el("button", { type: "button", "aria-label": label, on: { click: () => picture.nudge(du, dv) } }, text);
  const modes = el(
    "div",
    { class: "actions", role: "group", "aria-label": w("modes") },
    config.may_edit ? modeButton("set", w("mode_set")) : null,
    modeButton("measure", w("mode_measure")),
  );
  const hand = el(
    "div",
    { class: "actions court-hand", role: "group", "aria-label": w("hand") },
    nudge("←", w("left"), -1, 0),
    nudge("→", w("right"), 1, 0),
    nudge("↑", w("up"), 0, -1),
    nudge("↓", w("down"), 0, 1),
    el("button", { type: "button", on: { click: () => set(...picture.cross) } }, w("set_here")),
    config.may_edit ? el("button", { type: "button", on: { click: remove } }, w("not_in")) : null,
  );
  const when = el(
    "div",
    { class: "actions court-when" },
    el("label", { for: "court-time" }, w("time")),
    parts.time,
    parts.back,
    parts.on,
    field("from_s")?.type === "text" && config.may_edit
      ? el("button", { type: "button", on: { click: fromHere } }, w("hold_from"))
      : null,
  );
  const strip = parts.strip.length
    ? el("details", { class: "drawer" }, el("summary", {}, w("strip")), el("div", { class: "court-strip" }, parts.strip))
    : null;
  part("tools").append(...[modes, hand, when, strip].filter(Boolean));
}

function fromHere() {
  field("from_s").value = picture.at;
  field("at_s").value = picture.at;
  say(w("from_here", { at: clock(picture.at) }));
}

async function open(file) {
  say(w("checking"));
  const wrong = await differs(file);
  if (wrong) return say(wrong);
  return film(URL.createObjectURL(file));
}

function ownFilm() {
  const input = el("input", { type: "file", accept: "video/*", id: "own-film" });
  input.addEventListener("change", () => input.files[0] && open(input.files[0]));
  part("stage").prepend(el("div", { class: "field" }, el("label", { for: "own-film" }, w("open_own")), input));
}

async function film(url) {
  try {
    await picture.film(url, second("at_s") || 0);
    say(w("chosen", chosen));
  } catch {
    say(w("no_video"));
    if (config.poster) await poster();
  }
}

async function poster() {
  await picture.still(config.poster, config.poster_at).catch(() => say(w("no_picture")));
}

function start() {
  part("still")?.remove();
  form.dataset.scripted = "";
  if (part("try")) part("try").hidden = true;
  tools();
  picture.on("set", set);
  picture.on("pointed", () => {
    if (mode === "set" && config.may_edit) say(`${w("chosen", chosen)} ${w("finger")}`);
    else if (saved) say(w("finger"));
  });
  picture.on("removed", remove);
  picture.on("step", step);
  picture.on("moved", (u, v) => {
    if (mode === "set") part("state").textContent = w("cross", { u, v });
  });
  picture.on("shown", (at) => {
    if (!config.may_edit) return;
    // What has been clicked already belongs to the moment at which it was clicked.
    if (!Object.keys(places()).length) field("at_s").value = at;
    if (!Object.keys(places()).length && picture.size[0]) {
      [field("width").value, field("height").value] = picture.size;
    }
  });
  for (const landmark of landmarks) {
    row(landmark).querySelector("input[type=radio]").addEventListener("change", () => choose(landmark));
    for (const input of fields(landmark)) input.addEventListener("change", changed);
    document
      .querySelector(`[data-mark="${CSS.escape(landmark.name)}"]`)
      ?.addEventListener("click", () => choose(landmark));
  }
  form.addEventListener("submit", save);
  if (config.own) ownFilm();
  if (config.video) film(config.video);
  else if (config.poster) poster();
  else say(config.own ? w("open_own") : w("no_picture"));
  choose(chosen, true);
  // The page came with what the server says of the landmarks; the script needs its lines as numbers too.
  if (config.fit) shown(config.fit);
  else if (field("looked")) field("looked").disabled = true;
}

start();
