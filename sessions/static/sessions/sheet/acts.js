// What the coach does, as operations. Each act changes the page at once and goes into the queue. Here is what all acts
// share; those of the first pass stand in acts_rallies.js and acts_heard.js, those of the second in acts_lens.js and acts_close.js.
import { closeActs } from "./acts_close.js";
import { heardActs } from "./acts_heard.js";
import { lensActs } from "./acts_lens.js";
import { rallyActs } from "./acts_rallies.js";
import { patchOf } from "./model.js";
import { Steps } from "./steps.js";
import { config, w } from "./words.js";

export class Acts {
  constructor({ model, queue, film, ui, say, refresh }) {
    Object.assign(this, { model, queue, film, ui, say, refresh });
    // Under the person's name, which log-out takes away, and beside the store's own records, which it sweeps.
    const steps = `sheet.${config.user}.steps.${config.analysis}`;
    this.done = new Steps(`${steps}.done.`);
    this.undone = new Steps(`${steps}.undone.`);
    // Parts that take a key before its usual act does: (act, event) => whether it was taken.
    this.takers = [(name) => this.takesKey(name)];
    this.sure = null;
    film.listeners.push(() => this.filmTold());
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
      this.undone.clear();
    }
    if (kind !== "area.close") this.sure = null;
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
    else from.push(step);
    if (sent) this.show(step.inverse);
    if (sent) this.say(w(words));
  }

  // What was taken back is seen: its row is opened, and the cursor stands on it.
  show({ row, id }) {
    const [owner, code] = id.split("/");
    const situation = this.model.situations.get(owner);
    if (situation && !situation.dropped) this.choose(owner, row === "mark" ? code : undefined);
    else if (this.model.rallies.get(owner)?.dropped === false) this.open(owner);
    else this.showHeard({ row, id });
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

  step(by, unfinished = false) {
    const steps = this.model.steps();
    const at = steps.findIndex((row) => row.uuid === this.ui.situation);
    const open = (row) => this.model.openChecks(row).length > 0;
    let next = at < 0 && by < 0 ? steps.length - 1 : at + by;
    if (unfinished) {
      next = steps.findIndex((row, index) => index > at && open(row));
      if (next < 0) next = steps.findIndex(open);
    }
    const situation = steps[next];
    if (!situation) {
      this.stepOver(steps, steps.filter(open).length);
      return;
    }
    this.choose(situation.uuid);
    this.ui.check = this.askedNext(situation);
    this.ui.bring = true;
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

  stepOver(steps, open) {
    this.film.hold();
    if (!open) this.choose(null);
    if (open) this.say(w("said_last", { n: open }));
    else this.say(steps.length ? `${w("all_done")} ${w("all_done_close")}` : w("nothing_listed"));
    this.refresh();
  }

  turn(pass) {
    this.ui.pass = pass;
    this.ui.prompt = null;
    this.refresh();
    if (pass === 2) this.step(1, true);
  }
}

for (const acts of [rallyActs, heardActs, lensActs, closeActs])
  Object.defineProperties(Acts.prototype, Object.getOwnPropertyDescriptors(acts));
