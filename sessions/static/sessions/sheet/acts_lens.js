// Acts of the second pass: the film leads from hit to hit, and each check is asked once its moment has been seen.
import { w } from "./words.js";

const LEAD_S = 2;
const RUN_ON_S = 3;
// A hit that is heard this soon after the marked one is the same hit.
const SAME_HIT_S = 0.2;

export const lensActs = {
  mark(value) {
    const situation = this.situation;
    if (!situation || situation.dropped) {
      this.say(w("no_situation"));
      return;
    }
    if (this.leading) {
      this.say(w("film_leads"));
      return;
    }
    const code = this.ui.check ?? this.askedNext(situation);
    if (!code) {
      this.say(w("all_marked"));
      return;
    }
    const same = this.model.value(situation, code) === value;
    if (!same && !this.send("mark.set", `${situation.uuid}/${code}`, { value })) return;
    const marked = this.model.situations.get(situation.uuid);
    const next = value === null ? code : this.askedNext(marked, code);
    this.ui.check = next;
    const word = value === null ? w("cleared") : w(`mark_${value}`);
    const then = next && next !== code ? this.model.check(marked, next) : null;
    this.say(
      then ? w("said_mark_next", { code, word, next, name: then.name }) : w("said_mark", { code, word }),
    );
    if (value !== null) this.goOn(marked, next);
    this.refresh();
  },

  // The open check after this one, else the first that is open; what is seen at the hit is asked before what follows.
  askedNext(situation, after = null) {
    const open = this.model.openChecks(situation);
    const here = open.filter((code) => !this.isLater(situation, code));
    const from = here.length ? here : open;
    const order = this.model.asked(situation);
    return from.find((code) => order.indexOf(code) > order.indexOf(after)) ?? from[0] ?? null;
  },

  // What came of the hit, and what the check list does not place at this hit or the one before: at the hit itself
  // neither has been seen yet.
  isLater(situation, code) {
    const { kind, instant } = this.model.check(situation, code) ?? {};
    return kind === "result" || Boolean(instant && (!/H[01]/.test(instant) || /after H1|H1 to/.test(instant)));
  },

  // In the second pass the film runs on for what is seen later, and a full row leads to the next situation.
  goOn(situation, next) {
    if (this.ui.pass !== 2) return;
    if (next === null) this.step(1, true);
    else if (this.isLater(situation, next)) this.runOn(situation);
  },

  // To the second hit that is heard after this one, so that the answer to it is seen; without hits three seconds.
  seenBy(situation) {
    const rally = this.model.rallies.get(situation.rally);
    const end = (rally?.timed && rally.end_s) || Infinity;
    const after = (this.model.hits ?? []).filter((at) => at > situation.hit_s + SAME_HIT_S && at <= end);
    return Math.min(end, after[1] ?? Math.max(situation.hit_s, after[0] ?? 0) + RUN_ON_S);
  },

  runOn(situation) {
    if (!situation.timed || this.ui.ranOn === situation.uuid) return;
    this.ui.ranOn = situation.uuid;
    const until = this.seenBy(situation);
    if (until > this.film.now()) this.lead(until);
  },

  // What has no time stops no film.
  runUpTo(situation) {
    this.ui.ranOn = null;
    this.ui.leads = false;
    if (!situation.timed) return;
    const code = this.ui.check;
    if (this.ui.pass === 2 && code && this.isLater(situation, code)) {
      this.ui.ranOn = situation.uuid;
      this.film.seek(situation.hit_s - LEAD_S);
      this.lead(Math.max(this.seenBy(situation), situation.hit_s));
      return;
    }
    this.film.upTo(situation.hit_s);
    this.ui.leads = this.ui.pass === 2;
  },

  lead(until) {
    this.film.run(until);
    this.ui.leads = this.ui.pass === 2;
  },

  // The film is on its way to the moment that is asked for. The clock that stands in for a film shows nothing to wait for.
  get leading() {
    return Boolean(this.ui.leads && this.film.running && this.film.film);
  },

  // Where the film holds by itself or by hand, what is asked there is said.
  filmTold() {
    if (!this.ui.leads || this.film.running) return;
    this.ui.leads = false;
    const situation = this.situation;
    const check = situation && this.ui.check ? this.model.check(situation, this.ui.check) : null;
    if (check) this.say(w("said_asked", { code: check.code, name: check.name }));
    this.refresh();
  },

  ball(word) {
    const situation = this.situation;
    if (!situation) {
      this.say(w("no_situation"));
      return;
    }
    const there = situation.ball === word;
    if (there || this.send("situation.set", situation.uuid, { ball: word })) this.say(w(`ball_${word}`));
  },

  cell(by) {
    const situation = this.situation;
    if (!situation) return;
    const codes = this.model.asked(situation);
    const at = codes.indexOf(this.ui.check);
    this.choose(situation.uuid, codes[Math.min(codes.length - 1, Math.max(0, at + by))] ?? null);
  },

  uncover() {
    const rally = this.rally;
    if (!rally) return;
    this.ui.uncovered.add(rally.uuid);
    this.say(w("said_uncovered", { n: rally.number }));
    this.refresh();
  },
};
