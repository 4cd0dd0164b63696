// The listening page: from rally to rally and from hit to hit; decisions go to the server, which sends the list anew.
import { keysWanted, wantKeys } from "../keys_wanted.js";
import { Film } from "./film.js";
import { listen } from "./keys.js";
import { config, exact, tenth, w } from "./words.js";

const region = document.querySelector("[data-listening]");
const part = (name) => region.querySelector(`[data-part=${name}]`);
const told = part("told");
const form = (name) => document.getElementById(`listening-${name}`);
const mayEdit = Boolean(form("add"));
// Two hits of one and the same stroke, or the film's own grain of time.
const SAME = 0.04;
const MOST_UNDONE = 200;
// Where film and list stand side by side; else going to a row would take the film and its buttons out of sight.
const beside = window.matchMedia("(min-width: 64rem)");

let rows = [];
let delay = 0;
let hits = [];
let current = null;
let hit = null;
let newStart = null;
let undoing = false;
const undos = [];

function say(text) {
  told.textContent = text;
}

const list = () => form("list");
const rowOf = (pk) => rows.find((row) => row.pk === pk) ?? null;
const kept = () => rows.filter((row) => row.state !== "dismissed");

// What the list says now; asked for again after each answer of the server.
function read() {
  delay = Number(list().dataset.delay);
  rows = [...list().querySelectorAll("tr[data-row]")].map((node) => ({
    node,
    pk: node.dataset.row,
    number: Number(node.dataset.number),
    start: Number(node.dataset.start),
    end: Number(node.dataset.end),
    state: node.dataset.state,
    there: "there" in node.dataset,
  }));
  hits = config.hits
    .filter(([, kind]) => kind === "racket")
    .map(([heard]) => ({ heard, at: Math.max(0, heard - delay) }));
}

const film = new Film(region.querySelector("video"), {
  picture: config.picture_s,
  skips: kept,
  changed: follow,
  failed: () => say(w("no_video")),
});

function button(name) {
  return region.querySelector(`[data-act=${name}]`);
}

// While it plays the row is that which is seen; while it stands, that which was chosen.
function follow() {
  button("toggle").firstChild.textContent = `${film.running ? w("hold") : w("play")} `;
  if (!film.running || film.until !== null) return;
  const seen = rows.find(({ start, end }) => start - SAME <= film.now && film.now < end + 1);
  if (!seen || seen.pk === current) return;
  mark(seen);
  tellRow(seen);
}

function mark(row, refill = true) {
  current = row?.pk ?? null;
  for (const other of rows) {
    if (other === row) other.node.setAttribute("aria-current", "true");
    else other.node.removeAttribute("aria-current");
  }
  const times = form("times");
  if (!times) return;
  times.hidden = !row;
  if (!row || !refill) return;
  times.elements.id.value = row.pk;
  times.elements.start.value = exact(row.start);
  times.elements.end.value = exact(row.end);
  const { sure, figure } = row.node.dataset;
  times.querySelector("strong").textContent = w("times_of", { n: row.number, sure, figure });
}

function show(row) {
  if (beside.matches) row.node.scrollIntoView({ block: "nearest" });
}

function tellRow(row, before = "") {
  say(`${before} ${row.node.dataset.said}`.trim());
  show(row);
}

const waits = ({ state, there }) => state === "open" && !there;

function firstHit(row) {
  return hits.find(({ at }) => row.start - SAME <= at && at <= row.end + SAME) ?? null;
}

function goTo(row, before = "") {
  mark(row);
  hit = firstHit(row);
  film.upTo(hit?.at ?? row.start);
  tellRow(row, before);
}

function stepRally(by) {
  if (!rows.length) return say(w("no_rows"));
  const now = rowOf(current);
  let next;
  if (now) next = rows[rows.indexOf(now) + by];
  else if (by > 0 && film.now < SAME) next = rows.find(waits) ?? rows[0];
  else if (by > 0) next = rows.find(({ start }) => start >= film.now - SAME) ?? rows.at(-1);
  else next = rows.findLast(({ start }) => start < film.now) ?? rows[0];
  if (!next) return say(by > 0 ? w("last_row") : w("first_row"));
  return goTo(next);
}

function stepHit(by) {
  // Where it stands, or where it is bound for: a key that is pressed twice goes two hits on.
  const from = film.until ?? film.now;
  const next = by > 0 ? hits.find(({ at }) => at > from + SAME) : hits.findLast(({ at }) => at < from - SAME);
  if (!next) return say(by > 0 ? w("last_hit") : w("first_hit"));
  hit = next;
  film.upTo(next.at);
  const row = rows.find(({ start, end }) => start - 0.1 <= next.at && next.at <= end + 0.1);
  if (!row) return say(w("hit_outside", { at: tenth(next.at) }));
  if (row.pk !== current) {
    mark(row);
    show(row);
  }
  const own = hits.filter(({ at }) => row.start - 0.1 <= at && at <= row.end + 0.1);
  return say(w("hit", { n: own.indexOf(next) + 1, all: own.length, at: tenth(next.at) }));
}

// One decision. The answer replaces the list, also where it is refused; `after` runs where it was taken.
async function send(values, { after = null } = {}) {
  const match = list().querySelector("input[name=match]") ?? document.querySelector("input[name=match]");
  const body = { ...values, match: match?.value ?? "" };
  await window.htmx.ajax("POST", config.act, { source: list(), target: list(), swap: "outerHTML", values: body });
  if (list().querySelector("[role=alert]")) return false;
  after?.();
  return true;
}

let line = Promise.resolve();

// One after another: what is pressed while an answer is awaited is done to the list that comes with it.
function inTurn(act) {
  line = line.then(act, act);
  return line;
}

function decide(act, row) {
  const nextOpen = rows.slice(rows.indexOf(row) + 1).find(waits);
  const after = () => {
    const said = part("acted")?.textContent ?? "";
    if (act === "reopen") return say(said);
    const next = nextOpen && rowOf(nextOpen.pk);
    return next ? goTo(next, said) : say(`${said} ${w("all_done")}`);
  };
  return send({ act, ids: [row.pk] }, { after });
}

function onRow(act, wantedStates, otherwise) {
  return () =>
    inTurn(() => {
      const row = rowOf(current);
      if (!row) return say(w("no_row"));
      if (!wantedStates.includes(row.state)) return say(w(otherwise));
      if (act === "accept" && row.there) return say(w("there"));
      return decide(act, row);
    });
}

function setTime(which) {
  return () => {
    film.hold();
    const now = film.now;
    return inTurn(() => {
      const row = rowOf(current);
      if (!row) return say(w("no_row"));
      const times = { start: row.start, end: row.end, [which]: now };
      if (times.end <= times.start) return say(w("end_first"));
      const values = { act: "correct", id: row.pk, start: exact(times.start), end: exact(times.end) };
      return send(values, { after: () => tellRow(rowOf(current), part("acted")?.textContent) });
    });
  };
}

function newBegins() {
  newStart = film.now;
  form("add").elements.start.value = exact(newStart);
  say(w("new_start", { at: tenth(newStart) }));
}

function newEnds() {
  if (newStart === null) return say(w("no_start"));
  if (film.now <= newStart) return say(w("end_first"));
  film.hold();
  const before = new Set(rows.map(({ pk }) => pk));
  const values = { act: "add", start: exact(newStart), end: exact(film.now) };
  const after = () => {
    newStart = null;
    form("add").reset();
    const added = rows.find(({ pk }) => !before.has(pk));
    if (!added) return say(part("acted")?.textContent ?? "");
    mark(added);
    return tellRow(added, part("acted")?.textContent);
  };
  return inTurn(() => send(values, { after }));
}

// In one step: what was heard then is seen now.
function thisHit() {
  if (!hit) return say(w("no_hit"));
  film.hold();
  const seen = film.now;
  const { heard } = hit;
  const values = { act: "delay", seconds: (heard - seen).toFixed(3) };
  const after = () => {
    hit = hits.find((one) => one.heard === heard) ?? null;
    say(`${w("from_hit", { heard: exact(heard), seen: exact(seen) })} ${part("acted")?.textContent ?? ""}`);
  };
  return inTurn(() => send(values, { after }));
}

function undo() {
  return inTurn(async () => {
    const steps = undos.at(-1);
    if (!steps) return say(w("nothing_to_undo"));
    for (const step of steps) {
      const after = () => {
        const row = rowOf(String(step.id ?? step.ids?.[0]));
        const said = w("undone", { said: part("acted")?.textContent ?? "" });
        if (!row || row.pk === current) return say(said);
        return goTo(row, said);
      };
      undoing = true;
      const taken = await send(step, { after }).finally(() => {
        undoing = false;
      });
      if (!taken) return undefined;
    }
    undos.splice(undos.indexOf(steps), 1);
    return undefined;
  });
}

function whole() {
  const row = rowOf(current);
  if (!row) return say(w("no_row"));
  tellRow(row);
  return film.through(row.start, row.end);
}

function skip() {
  film.skipping = !film.skipping;
  button("skip").setAttribute("aria-pressed", String(film.skipping));
  say(film.skipping ? w("skips") : w("skips_not"));
}

// Standing, the film says where it is now.
function moved(go) {
  film.video.addEventListener(
    "seeked",
    () => {
      if (!film.running) say(w("picture", { at: exact(film.now) }));
    },
    { once: true },
  );
  go();
}

function half() {
  const slow = film.half();
  button("half").setAttribute("aria-pressed", String(slow));
  say(w(slow ? "slow" : "full"));
}

const editing = (act) => (mayEdit ? act : () => say(w("only_look")));

const acts = {
  rally_before: () => stepRally(-1),
  rally_after: () => stepRally(1),
  hit_before: () => stepHit(-1),
  hit_after: () => stepHit(1),
  toggle: () => film.toggle(),
  whole,
  skip,
  half,
  back: () => moved(() => film.jump(-2)),
  on: () => moved(() => film.jump(2)),
  picture_back: () => moved(() => film.step(-1)),
  picture_on: () => moved(() => film.step(1)),
  accept: editing(onRow("accept", ["open"], "open_only")),
  dismiss: editing(onRow("dismiss", ["open"], "open_only")),
  reopen: editing(onRow("reopen", ["accepted", "dismissed"], "not_open")),
  start_here: editing(setTime("start")),
  end_here: editing(setTime("end")),
  new_start: editing(newBegins),
  new_end: editing(newEnds),
  this_hit: editing(thisHit),
  undo: editing(undo),
  help: () => form("help").showModal(),
};

// The list came anew: what was chosen stays chosen, and the focus does not fall out of the page.
function swapped(event) {
  const field = form("delay")?.elements.seconds;
  const refused = Boolean(list().querySelector("[role=alert]"));
  read();
  // What was typed and refused stays in its fields.
  if (field && !refused) field.value = delay.toFixed(3);
  if (!refused && event.detail.requestConfig?.elt === form("add")) form("add").reset();
  const back = list().dataset.undo;
  if (back && back !== "[]" && !undoing) {
    undos.push(JSON.parse(back));
    if (undos.length > MOST_UNDONE) undos.shift();
  }
  const said = part("acted")?.textContent;
  if (said) say(said);
  mark(rowOf(current), !refused);
  if (document.activeElement === document.body || !document.activeElement) region.focus({ preventScroll: true });
}

region.addEventListener("htmx:afterSwap", swapped);

region.addEventListener("click", (event) => {
  const named = event.target.closest("[data-act]");
  if (named) {
    acts[named.dataset.act]?.();
    return;
  }
  const link = event.target.closest("a[data-go], a[data-times]");
  if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
  const row = rowOf(link.closest("tr").dataset.row);
  event.preventDefault();
  if (link.matches("[data-go]")) goTo(row);
  else {
    mark(row);
    form("times").elements.start.focus();
  }
});

const keys = form("keys");
keys.checked = keysWanted();
keys.addEventListener("change", () => wantKeys(keys.checked));
listen(region, acts, () => keys.checked);
form("help").querySelector("[data-close]").addEventListener("click", () => form("help").close());
for (const node of region.querySelectorAll("[data-part=tools], [data-for-script]")) node.hidden = false;
read();
mark(rows.find(({ node }) => node.hasAttribute("aria-current")) ?? null);
if (document.activeElement === document.body) region.focus({ preventScroll: true });
