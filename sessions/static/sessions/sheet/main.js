// The sheet of one analysis: reads the state, keeps the queue, and draws what changed.
import { Acts } from "./acts.js";
import { el } from "./dom.js";
import { Draws } from "./draws.js";
import { Film } from "./film.js";
import { keysWanted, listen, wantKeys } from "./keys.js";
import { Model } from "./model.js";
import { Notes } from "./notes.js";
import { Queue } from "./queue.js";
import { OpenRow } from "./row.js";
import { Table } from "./table.js";
import { config, w } from "./words.js";

const OLD = 15000;
const root = document.querySelector("[data-sheet]");
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

// One tab of a browser writes; a second one shows the sheet and says so.
function alone(name) {
  if (!navigator.locks) return Promise.resolve(true);
  return new Promise((resolve) => {
    navigator.locks.request(name, { ifAvailable: true }, (lock) => {
      resolve(Boolean(lock));
      return lock ? new Promise(() => {}) : null;
    });
  });
}

class Sheet {
  constructor(doc, only) {
    this.ui = {
      pass: 1,
      rally: null,
      situation: null,
      check: null,
      prompt: null,
      uncovered: new Set(),
      locked: !only,
    };
    this.queue = new Queue({
      user: config.user,
      analysis: config.analysis,
      url: config.ops,
      token,
      nextSeq: doc.next_seq,
    });
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
    this.draws = new Draws(part("draws"), this.acts, () => this.update(true));
    this.read = Date.now();
    this.queue.on((event, detail) => this.heard(event, detail));
    this.bind();
    this.draw();
    this.queue.now();
  }

  refresh() {
    if (this.drawing) return;
    this.drawing = true;
    queueMicrotask(() => {
      this.drawing = false;
      this.draw();
    });
  }

  draw() {
    const { model, ui } = this;
    root.dataset.pass = String(ui.pass);
    root.classList.toggle("read-only", !this.acts.writable);
    for (const button of root.querySelectorAll("[data-pass-to]")) {
      button.setAttribute("aria-pressed", String(button.dataset.passTo === String(ui.pass)));
    }
    for (const node of root.querySelectorAll("[data-for-writing]")) node.hidden = !this.acts.writable;
    this.table.draw(model, ui);
    this.row.draw(model, ui, this.table.coveredRallies(model, ui));
    this.draws.draw(model);
    this.notes.draw();
    part("ledger").textContent =
      model.rallyList.length && ui.pass === 1 ? w("stands", { score: model.end }) : "";
  }

  heard(event, told) {
    this.refresh();
    if (event !== "answers") return;
    let full = false;
    let ledger = false;
    for (const { item, result } of told) {
      const [row, id] = [item.row.split(":")[0], item.row.slice(item.row.indexOf(":") + 1)];
      if (result.status === "applied") this.model.setRev(row, id, result.rev);
      else full = true;
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
        this.read = Date.now();
      }
    } catch {
      // Without a network the sheet goes on with what it has; the queue says that it waits.
    } finally {
      this.updating = false;
      this.refresh();
    }
  }

  bind() {
    const { acts } = this;
    const help = document.getElementById("sheet-help");
    const openHelp = () => help.showModal();
    this.helpAreas(help.querySelector("[data-area-keys]"));
    const on = (name, act) => root.querySelector(`[data-act="${name}"]`)?.addEventListener("click", act);
    on("start", () => acts.startRally());
    on("end-A", () => acts.endRally("A"));
    on("end-B", () => acts.endRally("B"));
    on("end-none", () => acts.endRally("none"));
    on("undo", () => acts.undo());
    on("redo", () => acts.redo());
    on("next", () => (this.ui.pass === 2 ? acts.step(1) : acts.move(1)));
    on("previous", () => (this.ui.pass === 2 ? acts.step(-1) : acts.move(-1)));
    on("help", openHelp);
    help.querySelector("[data-close]").addEventListener("click", () => help.close());
    for (const button of root.querySelectorAll("[data-pass-to]")) {
      button.addEventListener("click", () => acts.turn(Number(button.dataset.passTo)));
    }
    const keys = document.getElementById("sheet-keys");
    keys.checked = keysWanted();
    keys.addEventListener("change", () => wantKeys(keys.checked));
    listen(root, acts, { help: openHelp, enabled: () => keys.checked });
    document.addEventListener("visibilitychange", () => {
      if (!document.hidden && Date.now() - this.read > OLD) this.update(true);
    });
    this.bindSubmit();
    this.bindLogOut();
    if (document.activeElement === document.body) root.focus({ preventScroll: true });
  }

  helpAreas(list) {
    for (const area of this.model.areas.filter((one) => one.key)) {
      const key = (...children) => el("dt", {}, ...children);
      list.append(
        el("div", {}, key(el("kbd", {}, area.key)), el("dd", {}, w("key_add", { area: area.name }))),
        el(
          "div",
          {},
          key(el("kbd", {}, w("shift")), " ", el("kbd", {}, area.key)),
          el("dd", {}, w("key_close", { area: area.name })),
        ),
      );
    }
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
        const gone = this.queue.forget();
        if (gone || window.confirm(w("logout_unsent", { n: this.queue.waiting }))) form.submit();
      });
    }
  }
}

async function begin() {
  try {
    const [doc, only] = await Promise.all([get(), alone(`sheet.${config.user}.${config.analysis}`)]);
    new Sheet(doc, only);
    root.removeAttribute("aria-busy");
  } catch (error) {
    part("said").textContent = w("no_state");
    throw error;
  }
}

begin();
