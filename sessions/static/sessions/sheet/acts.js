// What the coach does, as operations. Each act changes the page at once and goes into the queue. Here is what all acts
// share; those of the first pass stand in acts_rallies.js, those of the second in acts_lens.js.
import { lensActs } from "./acts_lens.js";
import { rallyActs } from "./acts_rallies.js";
import { patchOf } from "./model.js";
import { clock, w } from "./words.js";

const KEPT_STEPS = 100;

export class Acts {
  constructor({ model, queue, film, ui, say, refresh }) {
    Object.assign(this, { model, queue, film, ui, say, refresh });
    this.stackKey = `${queue.prefix}steps`;
    this.done = this.read();
    this.undone = [];
  }

  read() {
    try {
      return JSON.parse(sessionStorage.getItem(this.stackKey)) ?? [];
    } catch {
      return [];
    }
  }

  keep() {
    this.done = this.done.slice(-KEPT_STEPS);
    try {
      sessionStorage.setItem(this.stackKey, JSON.stringify(this.done));
    } catch {
      // Then undo reaches back to the last reload only.
    }
  }

  get writable() {
    return this.model.analysis.writable && !this.ui.locked;
  }

  send(kind, target, body = {}, local = null, base = undefined) {
    if (!this.writable) {
      this.say(w("read_only"));
      return null;
    }
    const patch = patchOf({ kind, target, body, local });
    const inverse = this.model.inverse({ kind, target, body, local });
    const known = base === undefined ? this.model.rev(patch.row, patch.id) : base;
    const op = this.queue.push({
      kind,
      target,
      body,
      local,
      row: `${patch.row}:${patch.id}`,
      base: kind === "undo" ? null : known,
    });
    this.model.apply(op);
    if (kind !== "undo") {
      this.done.push({ op: op.op, inverse });
      this.undone = [];
      this.keep();
    }
    this.refresh();
    return { op: op.op, inverse };
  }

  undo(from = this.done, to = this.undone, words = "undone") {
    const step = from.pop();
    if (!step) {
      this.say(w("nothing_to_undo"));
      return;
    }
    const sent = this.send("undo", step.op, {}, step.inverse);
    if (sent) to.push(sent);
    this.keep();
    this.say(w(words));
  }

  redo() {
    this.undo(this.undone, this.done, "redone");
  }

  // Her own value against that of another device: sent again with the revision that she has now seen.
  insist(note) {
    const [row, id] = [note.row.slice(0, note.row.indexOf(":")), note.row.slice(note.row.indexOf(":") + 1)];
    const mine = note.result.mine;
    const kinds = {
      mark: ["mark.set", mine],
      closure: mine.situations === null ? ["area.open", {}] : ["area.close", mine],
    };
    const { timed, ...set } = mine;
    // A value that only kept the order is no time to insist on.
    if (timed === false) for (const name of ["start_s", "hit_s"]) delete set[name];
    const plain = mine.dropped === true ? [`${row}.drop`, {}] : [`${row}.set`, set];
    const [kind, body] = kinds[row] ?? plain;
    this.queue.dismiss(note);
    if (timed === undefined || Object.keys(body).length) this.send(kind, id, body, null, note.result.rev);
  }

  get rally() {
    return this.model.rallies.get(this.ui.rally);
  }

  get situation() {
    return this.model.situations.get(this.ui.situation);
  }

  // Going about

  move(by) {
    const rows = this.model.rallyList;
    if (!rows.length) return;
    const at = rows.findIndex((row) => row.uuid === this.ui.rally);
    const next = at < 0 ? (by > 0 ? 0 : rows.length - 1) : Math.min(rows.length - 1, Math.max(0, at + by));
    if (next === at) return;
    const { uuid, number, timed, start_s } = rows[next];
    this.open(uuid);
    if (timed && !this.film.running) this.film.seek(start_s);
    this.say(w(timed ? "said_row" : "said_row_untimed", { n: number, time: clock(start_s) }));
  }

  step(by, unfinished = false) {
    const steps = this.model.steps();
    const at = steps.findIndex((row) => row.uuid === this.ui.situation);
    let next = at < 0 && by < 0 ? steps.length - 1 : at + by;
    if (unfinished) {
      const open = (row) => this.model.openChecks(row).length > 0;
      next = steps.findIndex((row, index) => index > at && open(row));
      if (next < 0) next = steps.findIndex(open);
    }
    const situation = steps[next];
    if (!situation) {
      this.film.hold();
      this.say(w(steps.length ? "all_done" : "nothing_listed"));
      this.refresh();
      return;
    }
    this.choose(situation.uuid);
    this.runUpTo(situation);
    const name = this.model.area.get(situation.area).name;
    this.say(
      w("said_step", {
        k: next + 1,
        n: steps.length,
        area: name,
        who: this.model.units.get(situation.unit).name,
      }),
    );
  }

  // What has no time stops no film.
  runUpTo(situation) {
    if (situation.timed) this.film.upTo(situation.hit_s);
  }

  turn(pass) {
    this.ui.pass = pass;
    this.ui.prompt = null;
    this.refresh();
    if (pass === 2) this.step(1, true);
  }
}

Object.assign(Acts.prototype, rallyActs, lensActs);
