// What the coach does, as operations. Each act changes the page at once and goes into the queue.
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

  // Rallies

  get rally() {
    return this.model.rallies.get(this.ui.rally);
  }

  startRally() {
    const at = this.film.now();
    const unfinished = this.model.rallyList.find((row) => this.model.unfinished(row));
    if (unfinished) {
      this.say(w("end_first", { n: unfinished.number }));
      this.ui.rally = unfinished.uuid;
      this.refresh();
      return;
    }
    const before = this.model.rallyList.filter((row) => row.start_s <= at).at(-1);
    const target = crypto.randomUUID();
    const number = before ? before.number + 1 : 1;
    if (!this.send("rally.add", target, { number, start_s: at })) return;
    this.open(target);
    this.say(w("said_start", { n: number, time: clock(at) }));
  }

  endRally(winner) {
    const rally = this.rally ?? this.model.rallyList.find((row) => this.model.unfinished(row));
    if (!rally) {
      this.say(w("no_rally"));
      return;
    }
    const body = { winner };
    if (this.model.unfinished(rally)) {
      const at = this.film.now();
      if (at <= rally.start_s) {
        this.say(w("ends_after_start"));
        return;
      }
      body.end_s = at;
    }
    this.send("rally.set", rally.uuid, body);
    this.open(rally.uuid);
    const who = winner === "none" ? w("nobody") : this.model.pairName(winner);
    this.say(w("said_end", { n: rally.number, who }));
  }

  setRally(body) {
    if (body.end_s && !this.rally?.timed) this.say(w("start_first"));
    else if (this.rally) this.send("rally.set", this.rally.uuid, body);
  }

  dropRally() {
    const rally = this.rally;
    if (!rally || !this.send("rally.drop", rally.uuid)) return;
    this.ui.rally = null;
    this.refresh();
  }

  open(uuid) {
    if (this.ui.rally !== uuid) {
      this.ui.situation = null;
      this.ui.check = null;
    }
    this.ui.rally = uuid;
    this.refresh();
  }

  // Situations

  ask(code) {
    const area = this.model.area.get(code);
    const at = this.film.now();
    const open = this.rally;
    const holds = open && (!open.timed || this.model.holds(open, at));
    const rally = holds ? open : this.model.rallyAt(at);
    const hit = rally && !rally.timed ? this.model.last(rally) : at;
    if (!rally) this.say(w("no_rally_at", { time: clock(at) }));
    else if (this.model.closed(rally.uuid, code)) this.say(w("area_is_closed", { area: area.name }));
    else if (!area.units.length) this.say(w("no_unit", { area: area.name }));
    else if (area.units.length === 1) this.add(rally.uuid, code, area.units[0], hit);
    else {
      this.ui.prompt = { rally: rally.uuid, area: code, units: area.units, at: hit, timed: rally.timed };
      this.ui.rally = rally.uuid;
      this.say(w("who_is_it", { area: area.name }));
      this.refresh();
    }
  }

  answer(index) {
    const prompt = this.ui.prompt;
    const unit = prompt?.units[index];
    if (unit === undefined) return;
    this.ui.prompt = null;
    this.add(prompt.rally, prompt.area, unit, prompt.at);
  }

  add(rally, area, unit, hit_s) {
    const near = this.model.near(this.model.rallies.get(rally));
    const end = this.model.units.get(unit).pair === near ? "near" : "far";
    const target = crypto.randomUUID();
    if (!this.send("situation.add", target, { rally, unit, area, hit_s, end })) return;
    this.ui.rally = rally;
    this.choose(target);
    const said = this.situation.timed ? "said_situation" : "said_situation_untimed";
    this.say(w(said, { area: this.model.area.get(area).name, time: clock(hit_s) }));
  }

  setSituation(uuid, body) {
    this.send("situation.set", uuid, body);
  }

  dropSituation(uuid) {
    if (this.send("situation.drop", uuid) && this.ui.situation === uuid) this.choose(null);
  }

  choose(uuid, check = undefined) {
    const situation = uuid && this.model.situations.get(uuid);
    this.ui.situation = situation ? uuid : null;
    const first = situation ? (this.model.openChecks(situation)[0] ?? null) : null;
    this.ui.check = check === undefined ? first : check;
    if (situation) this.ui.rally = situation.rally;
    this.refresh();
  }

  // Marks

  get situation() {
    return this.model.situations.get(this.ui.situation);
  }

  mark(value) {
    const situation = this.situation;
    if (!situation || situation.dropped) {
      this.say(w("no_situation"));
      return;
    }
    const code = this.ui.check ?? this.model.openChecks(situation)[0];
    if (!code) {
      this.say(w("all_marked"));
      return;
    }
    if (!this.send("mark.set", `${situation.uuid}/${code}`, { value })) return;
    const marked = this.model.situations.get(situation.uuid);
    const next = value === null ? code : (this.model.openChecks(marked)[0] ?? null);
    this.ui.check = next;
    const word = value === null ? w("cleared") : w(`mark_${value}`);
    const then = next && next !== code ? this.model.check(marked, next) : null;
    this.say(
      then ? w("said_mark_next", { code, word, next, name: then.name }) : w("said_mark", { code, word }),
    );
    if (value !== null) this.goOn(marked, code, next);
    this.refresh();
  }

  // In the second pass the film runs on for the result checks, and a full row leads to the next situation.
  goOn(situation, code, next) {
    if (this.ui.pass !== 2) return;
    if (next === null) {
      this.step(1, true);
      return;
    }
    const kind = (check) => this.model.check(situation, check)?.kind;
    if (situation.timed && kind(code) === "doing" && kind(next) === "result") {
      const rally = this.model.rallies.get(situation.rally);
      const end = (rally.timed && rally.end_s) || Infinity;
      this.film.run(Math.min(end, situation.hit_s + 6));
    }
  }

  ball(word) {
    const situation = this.situation;
    if (!situation) {
      this.say(w("no_situation"));
      return;
    }
    const ball = situation.ball === word ? "normal" : word;
    if (this.send("situation.set", situation.uuid, { ball })) this.say(w(`ball_${ball}`));
  }

  cell(by) {
    const situation = this.situation;
    if (!situation) return;
    const codes = this.model.asked(situation);
    const at = codes.indexOf(this.ui.check);
    this.choose(situation.uuid, codes[Math.min(codes.length - 1, Math.max(0, at + by))] ?? null);
  }

  // Closing

  close(code, rally = this.rally) {
    if (!rally) {
      this.say(w("no_rally"));
      return;
    }
    const target = `${rally.uuid}/${code}`;
    const name = this.model.area.get(code).name;
    if (this.model.closed(rally.uuid, code)) {
      if (this.send("area.open", target)) this.say(w("said_open", { area: name }));
      return;
    }
    const situations = this.model.counted(rally.uuid, code);
    if (this.send("area.close", target, { situations }))
      this.say(w("said_closed", { area: name, n: situations }));
  }

  closeAll() {
    const rally = this.rally;
    if (!rally) {
      this.say(w("no_rally"));
      return;
    }
    for (const area of this.model.areas)
      if (!this.model.closed(rally.uuid, area.code)) this.close(area.code, rally);
    this.say(w("said_all_closed", { n: rally.number }));
    if (this.ui.pass === 1) this.move(1);
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
