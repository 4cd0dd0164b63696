// The sheet of one analysis: reads the state, keeps the queue, and draws what changed.
import { Acts } from "./acts.js";
import { coveredRallies } from "./cover.js";
import { watchTyping } from "./dom.js";
import { Draws } from "./draws.js";
import { Film } from "./film.js";
import { bindKeys } from "./keyboard.js";
import { Live, steadily } from "./live.js";
import { Model } from "./model.js";
import { Notes } from "./notes.js";
import { Queue } from "./queue.js";
import { OpenRow } from "./row.js";
import { Spots } from "./spots.js";
import { Store } from "./store.js";
import { Table } from "./table.js";
import { config, w } from "./words.js";

const root = document.querySelector("[data-sheet]");
// Looked up once: a large sheet has many thousands of elements, and it is drawn at each key.
const passes = root.querySelectorAll("[data-pass-to]");
const forWriting = root.querySelectorAll("[data-for-writing]");
const part = (name) => root.querySelector(`[data-part="${name}"]`);

function token() {
  const cookie = /(?:^|; )csrftoken=([^;]+)/.exec(document.cookie);
  return cookie ? decodeURIComponent(cookie[1]) : config.token;
}

async function get(query = "") {
  const answer = await fetch(config.state + query, { headers: { Accept: "application/json" } });
  if (!answer.ok) throw new Error(String(answer.status));
  return answer.json();
}

// One tab of a browser writes; a second one shows the sheet and says so, until it is the only one left.
function alone(name, ifAvailable = true) {
  if (!navigator.locks) return Promise.resolve(true);
  return new Promise((resolve) => {
    navigator.locks.request(name, ifAvailable ? { ifAvailable } : {}, (lock) => {
      resolve(Boolean(lock));
      return lock ? new Promise(() => {}) : null;
    });
  });
}

class Sheet {
  constructor(doc, queue, only) {
    this.ui = {
      pass: 1,
      rally: null,
      situation: null,
      check: null,
      prompt: null,
      uncovered: new Set(),
      locked: !only,
    };
    this.queue = queue;
    if (!only) this.queue.trouble = { kind: "other_tab", final: true };
    this.model = new Model(doc, this.queue.items);
    this.film = new Film(part("film"), doc.match.films);
    this.acts = new Acts({
      model: this.model,
      queue: this.queue,
      film: this.film,
      ui: this.ui,
      say: (text) => this.notes.say(text),
      refresh: () => this.refresh(),
    });
    const places = { status: part("status"), told: part("told"), list: part("notes"), said: part("said") };
    this.notes = new Notes(places, this.queue, this.acts);
    this.table = new Table(part("table"), this.acts);
    this.row = new OpenRow(this.table.detailCell, this.acts);
    this.spots = new Spots(this.film, this.acts);
    this.draws = new Draws(part("draws"), this.acts, () => this.update(true));
    this.queue.on((event, detail) => this.heard(event, detail));
    this.bind();
    this.draw();
    this.live = new Live(() => this.ask());
    this.queue.now();
  }

  refresh() {
    if (this.drawing) return;
    this.drawing = true;
    queueMicrotask(() => {
      this.drawing = false;
      if (!this.arrived) this.draw();
      else steadily(root, () => this.draw());
      this.arrived = false;
    });
  }

  draw() {
    const { model, ui } = this;
    root.dataset.pass = String(ui.pass);
    root.classList.toggle("read-only", !this.acts.writable);
    for (const button of passes) {
      button.setAttribute("aria-pressed", String(button.dataset.passTo === String(ui.pass)));
    }
    for (const node of forWriting) node.hidden = !this.acts.writable;
    this.table.draw(model, ui);
    this.row.draw(model, ui, coveredRallies(model, ui));
    this.draws.draw(model);
    this.spots.draw();
    this.thumbs.draw(model, ui);
    this.notes.draw();
    const { check_list: own, list_newer: newer } = model.analysis;
    part("list").hidden = !newer;
    part("list").textContent = newer ? w("list_newer", { newer, own }) : "";
    this.film.pace(ui.pass);
    const left = model.proposalList.length;
    const score = model.rallyList.length ? [w("stands", { score: model.end })] : [];
    const heard = left ? [w("heard_left", { n: left })] : [];
    part("ledger").textContent = ui.pass === 1 ? [...score, ...heard].join(" · ") : "";
  }

  heard(event, told) {
    // An answer that says what was pressed changes nothing on the sheet but how much is on its way.
    this.notes.draw();
    if (event !== "answers") return;
    let full = false;
    let ledger = false;
    for (const { item, result } of told) {
      const [row, id] = [item.row.split(":")[0], item.row.slice(item.row.indexOf(":") + 1)];
      if (result.status === "applied") this.model.setRev(row, id, result.rev);
      else full = true;
      if (row === "spot" && result.status === "applied") {
        this.spots.answered(result.row);
        this.refresh();
      }
      ledger = ledger || row === "rally";
    }
    if (full || ledger) this.update(full);
  }

  // Reads the state again. What was answered meanwhile would be missing in it: then it is read once more.
  async update(full) {
    this.wanted = Math.max(this.wanted ?? 0, full ? 2 : 1);
    if (this.updating) return;
    this.updating = true;
    try {
      while (this.wanted) {
        const whole = this.wanted === 2;
        this.wanted = 0;
        const answers = this.queue.answers;
        const doc = await get(whole ? "" : "?part=rallies");
        if (this.queue.answers !== answers) {
          this.wanted = Math.max(this.wanted, whole ? 2 : 1);
          continue;
        }
        if (whole) this.model.take(doc, this.queue.items);
        else this.model.takeRallies(doc, this.queue.items);
      }
    } catch {
      // Without a network the sheet goes on with what it has; the queue says that it waits.
    } finally {
      this.updating = false;
      this.refresh();
    }
  }

  // What other devices have written since. What this one is told meanwhile would be missing in it: asked again then.
  async ask() {
    const answers = this.queue.answers;
    const answer = await fetch(`${config.state}?since=${encodeURIComponent(this.model.stamp ?? "")}`, {
      headers: { Accept: "application/json" },
    });
    const doc = await answer.json();
    // Where somebody else has logged in meanwhile, they do not find this sheet open.
    const other = answer.ok ? doc.reader !== config.user : [403, 404].includes(answer.status);
    root.querySelector(".book").hidden = other;
    if (!answer.ok) throw new Error(String(answer.status));
    if (other || !doc.changed || this.updating || this.queue.answers !== answers) return;
    if (doc.whole) this.model.take(doc, this.queue.items);
    else this.model.takeSome(doc, this.queue.items);
    // A version that came back can be written in again.
    if (this.queue.trouble?.kind === "closed" && this.model.analysis.writable) {
      this.queue.trouble = null;
      this.queue.now();
    }
    this.arrived = true;
    this.refresh();
  }

  // The tab that wrote is closed: what it left unsent is sent from here.
  async takeOver() {
    await this.queue.load();
    this.queue.trouble = null;
    this.ui.locked = false;
    this.model.put(this.queue.items);
    this.notes.say(w("took_over"));
    this.queue.now();
    this.refresh();
    await this.update(true);
  }

  bind() {
    const { acts } = this;
    watchTyping(root, () => this.refresh());
    for (const button of root.querySelectorAll("[data-pass-to]")) {
      button.addEventListener("click", () => acts.turn(Number(button.dataset.passTo)));
    }
    this.thumbs = bindKeys(root, acts, { token, refresh: () => this.refresh() });
    this.bindSubmit();
    this.bindLogOut();
    if (document.activeElement === document.body) root.focus({ preventScroll: true });
  }

  bindSubmit() {
    const form = document.getElementById("sheet-submit");
    form?.addEventListener("submit", async (event) => {
      event.preventDefault();
      const said = form.querySelector("[role=alert]");
      said.textContent = "";
      const sent = await this.queue.drain();
      if (!sent || this.queue.notes.length) {
        said.textContent = sent ? w("submit_notes") : w("submit_unsent", { n: this.queue.waiting });
        return;
      }
      form.elements.devices.value = JSON.stringify(
        this.queue.last ? { [this.queue.device]: this.queue.last } : {},
      );
      form.submit();
    });
  }

  // Whoever logs in next on this device finds nothing of this person, unless something is still unsent.
  bindLogOut() {
    for (const form of document.querySelectorAll(`form[action="${config.logout}"]`)) {
      form.addEventListener("submit", async (event) => {
        event.preventDefault();
        await this.queue.drain();
        const { store } = this.queue;
        const n = await store.unsent();
        if (n && !window.confirm(w("logout_unsent", { n }))) return;
        if (!n) await store.forget();
        form.submit();
      });
    }
  }
}

async function begin() {
  const lock = `sheet.${config.user}.${config.analysis}`;
  try {
    const [doc, store, only] = await Promise.all([
      get(),
      Store.open(config.user, config.analysis),
      alone(lock),
    ]);
    const queue = new Queue({ store, url: config.ops, token, nextSeq: doc.next_seq });
    if (only) await queue.load();
    const sheet = new Sheet(doc, queue, only);
    root.removeAttribute("aria-busy");
    if (!only) alone(lock, false).then(() => sheet.takeOver());
  } catch (error) {
    part("said").textContent = w("no_state");
    throw error;
  }
}

begin();
