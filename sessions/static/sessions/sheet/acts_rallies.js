// Acts of the first pass: where rallies begin and end, who won, and when a situation of the lens occurs.
import { clock, w } from "./words.js";

export const rallyActs = {
  startRally() {
    const at = this.film.now();
    const unfinished = this.model.rallyList.find((row) => this.model.unfinished(row));
    if (unfinished) {
      this.say(w("end_first", { n: unfinished.number }));
      this.ui.rally = unfinished.uuid;
      this.refresh();
      return;
    }
    const target = crypto.randomUUID();
    const number = this.numberAt(at);
    const heard = this.startsProposal(at);
    const body = { number, start_s: at, ...(heard ? { proposal: Number(heard.id) } : {}) };
    if (!this.send("rally.add", target, body)) return;
    // The end that was heard is not hers: the film runs on until she says where it is.
    if (heard && this.film.running) this.film.run();
    this.open(target);
    this.say(w("said_start", { n: number, time: clock(at) }));
  },

  endRally(winner) {
    const proposal = this.proposal;
    if (proposal) {
      const target = this.accept(proposal, winner);
      if (target) this.won(target, winner, true);
      return;
    }
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
    // One that was heard got its situations first: with its winner it is done like the others.
    const goOn = this.model.heard.of.has(rally.uuid) && !rally.winner;
    if (!this.send("rally.set", rally.uuid, body)) return;
    this.open(rally.uuid);
    this.won(rally.uuid, winner, goOn);
  },

  won(uuid, winner, goOn) {
    const who = winner === "none" ? w("nobody") : this.model.pairName(winner);
    this.settled(uuid, goOn, w("said_end", { n: this.model.rallies.get(uuid).number, who }));
  },

  setRally(body) {
    if (body.end_s && !this.rally?.timed) this.say(w("start_first"));
    else if (this.rally) this.send("rally.set", this.rally.uuid, body);
  },

  dropRally() {
    const rally = this.rally;
    if (!rally || !this.send("rally.drop", rally.uuid)) return;
    this.ui.rally = null;
    this.refresh();
  },

  open(uuid) {
    if (this.ui.rally !== uuid) {
      this.ui.situation = null;
      this.ui.check = null;
      if (this.ui.prompt?.fact) this.ui.prompt = null;
    }
    this.ui.rally = uuid;
    this.ui.proposal = null;
    const row = this.model.rallies.get(uuid);
    if (row) this.ui.stood = row.start_s;
    this.refresh();
  },

  // Situations

  ask(code) {
    const area = this.model.area.get(code);
    const at = this.film.now();
    const heard = this.inProposal(at);
    // Its winner is said later: the situation makes it a rally already.
    if (heard && area.units.length && !this.accept(heard)) return;
    const open = this.rally;
    const holds = open && (!open.timed || heard || this.model.holds(open, at));
    const rally = holds ? open : this.model.rallyAt(at);
    const hit = rally && (rally.timed ? this.hitBefore(at, rally) : this.model.last(rally));
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
  },

  // False where that is no answer to what is asked.
  answer(index) {
    const prompt = this.ui.prompt;
    if (prompt?.fact) return this.answerFact(index);
    const unit = prompt?.units[index];
    if (unit === undefined) return false;
    this.ui.prompt = null;
    this.add(prompt.rally, prompt.area, unit, prompt.at);
    return true;
  },

  add(rally, area, unit, hit_s) {
    const near = this.model.near(this.model.rallies.get(rally));
    const end = this.model.units.get(unit).pair === near ? "near" : "far";
    const target = crypto.randomUUID();
    if (!this.send("situation.add", target, { rally, unit, area, hit_s, end })) return;
    this.ui.rally = rally;
    this.choose(target);
    const said = this.situation.timed ? "said_situation" : "said_situation_untimed";
    this.say(w(said, { area: this.model.area.get(area).name, time: clock(hit_s) }));
  },

  setSituation(uuid, body) {
    this.send("situation.set", uuid, body);
  },

  dropSituation(uuid) {
    if (this.send("situation.drop", uuid) && this.ui.situation === uuid) this.choose(null);
  },

  choose(uuid, check = undefined) {
    const situation = uuid && this.model.situations.get(uuid);
    this.ui.situation = situation ? uuid : null;
    const first = situation ? (this.model.openChecks(situation)[0] ?? null) : null;
    this.ui.check = check === undefined ? first : check;
    if (situation) this.ui.rally = situation.rally;
    this.refresh();
  },
};
