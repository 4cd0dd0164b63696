// Acts of the second pass: marks, balls, and areas that are done.
import { w } from "./words.js";

export const lensActs = {
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
  },

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
  },

  ball(word) {
    const situation = this.situation;
    if (!situation) {
      this.say(w("no_situation"));
      return;
    }
    const ball = situation.ball === word ? "normal" : word;
    if (this.send("situation.set", situation.uuid, { ball })) this.say(w(`ball_${ball}`));
  },

  cell(by) {
    const situation = this.situation;
    if (!situation) return;
    const codes = this.model.asked(situation);
    const at = codes.indexOf(this.ui.check);
    this.choose(situation.uuid, codes[Math.min(codes.length - 1, Math.max(0, at + by))] ?? null);
  },

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
  },

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
  },
};
