// Acts on what was heard: from proposal to proposal, each made a rally by its winner or said to be none. The film runs
// through the one that is open and holds at its end, so that nobody watches what lies between.
import { clock, w } from "./words.js";

const LEAD_IN_S = 1;
// A rally ends with its last hit; who won is seen a moment later.
const RUN_OUT_S = 1.5;
// A situation is noticed a moment after its hit, and so is the serve of a rally that somebody starts by hand.
const NOTICED_S = 1.2;
const BEFORE_SERVE_S = 3;

export const heardActs = {
  // The open proposal; an open rally stands before it.
  get proposal() {
    return this.ui.rally ? null : (this.model.proposalList.find((row) => row.id === this.ui.proposal) ?? null);
  },

  // Keys of the first pass that mean something else on a proposal, or while facts are asked.
  takesKey(name) {
    if (name === "done" && this.ui.prompt?.fact) this.skipFact();
    else if (name === "clear" && this.ui.pass === 1 && this.proposal) this.dismiss();
    else return false;
    return true;
  },

  // From row to row, over rallies and proposals as they follow each other.
  move(by) {
    const rows = this.model.lines();
    if (!rows.length) return;
    const here = this.proposal ?? this.rally;
    const at = here ? rows.indexOf(here) : -1;
    const next = at < 0 ? this.nearest(rows, by) : Math.min(rows.length - 1, Math.max(0, at + by));
    if (next === at) return;
    const row = rows[next];
    if (!row.uuid) {
      this.openProposal(row.id);
      return;
    }
    const { uuid, number, timed, start_s } = row;
    this.open(uuid);
    this.watch(row);
    this.say(w(timed ? "said_row" : "said_row_untimed", { n: number, time: clock(start_s) }));
  },

  // Where nothing is open the first or the last; after one that is gone, where it was.
  nearest(rows, by) {
    const at = this.ui.stood;
    if (at === undefined) return by > 0 ? 0 : rows.length - 1;
    const next = by > 0 ? rows.findIndex((row) => row.start_s > at) : rows.findLastIndex((row) => row.start_s < at);
    return next < 0 ? (by > 0 ? rows.length - 1 : 0) : next;
  },

  openProposal(id, run = true, told = "") {
    this.open(null);
    this.ui.proposal = id;
    const row = this.proposal;
    if (row) {
      this.ui.stood = row.start_s;
      if (run) this.watch(row);
      else this.film.hold();
      const said = w("said_heard", { time: clock(row.start_s), sure: w(`sure_${row.sure}`) });
      this.say(`${told} ${said}`.trim());
    }
    this.refresh();
  },

  // From just before a rally to just after its last hit, where the film holds; one that has no end yet runs on.
  watch(row) {
    if (row.timed === false) return;
    if (!this.film.film) {
      // The clock that stands in for a film has nothing to show.
      if (!this.film.running) this.film.seek(row.start_s);
      return;
    }
    const there = this.film.shows(row.start_s);
    if (!there) this.film.hold();
    this.film.seek(Math.max(0, row.start_s - LEAD_IN_S));
    if (there) this.film.run(row.end_s && row.end_s + RUN_OUT_S);
  },

  // The number of a rally that comes in at a time, as the server gives it.
  numberAt(start_s) {
    const rows = this.model.rallyList;
    const before = rows.findLast((row) => row.start_s <= start_s);
    return before ? before.number + 1 : (rows[0]?.number ?? 1);
  },

  accept(proposal, winner = "") {
    const { id, start_s, end_s } = proposal;
    const target = crypto.randomUUID();
    const body = { number: this.numberAt(start_s), start_s, end_s, proposal: Number(id) };
    if (winner) body.winner = winner;
    if (!this.send("rally.add", target, body)) return null;
    this.open(target);
    return target;
  },

  dismiss() {
    const proposal = this.proposal;
    if (!proposal || !this.send("proposal.set", proposal.id, { dismissed: true })) return;
    this.nextProposal(proposal.start_s, w("said_no_rally", { time: clock(proposal.start_s) }));
  },

  // What was heard next; where nothing is left the film holds, and it is said.
  nextProposal(after, told = "") {
    const next = this.model.proposalList.find((row) => row.start_s > after);
    if (next) this.openProposal(next.id, true, told);
    else {
      this.film.hold();
      const left = this.model.proposalList.length;
      this.say(`${told} ${left ? w("said_heard_before", { n: left }) : w("said_all_heard")}`.trim());
      this.refresh();
    }
  },

  // A rally has its winner: what is asked of it beyond that, then on to what was heard next.
  settled(uuid, goOn, told) {
    const rally = this.model.rallies.get(uuid);
    const wanted = ["A", "B"].includes(rally.winner) ? (this.model.analysis.rally_facts ?? []) : [];
    const fact = wanted.find((name) => !rally[name]);
    if (fact) this.askFact(uuid, fact, goOn);
    else if (goOn) this.nextProposal(rally.start_s, told);
    else this.say(told);
  },

  askFact(uuid, fact, goOn) {
    this.ui.prompt = { rally: uuid, fact, goOn };
    this.say(w(`ask_${fact}`));
    this.refresh();
  },

  // The answers to a question about a rally, in the order of their keys.
  factAnswers(fact) {
    const pairs = ["A", "B"].map((letter) => [letter, this.model.pairName(letter)]);
    if (fact === "net_pair") return [...pairs, ["none", w("nobody")]];
    if (fact === "ended_by") return this.model.seats.map((seat) => [seat.position, seat.name]);
    return ["winner", "forced", "error", "double"].map((code) => [code, w(`ended_${code}`)]);
  },

  answerFact(index) {
    const { rally, fact } = this.ui.prompt;
    const answer = this.factAnswers(fact)[index];
    if (!answer) return false;
    this.send("rally.set", rally, { [fact]: answer[0] });
    this.skipFact();
    return true;
  },

  skipFact() {
    const { rally, fact, goOn } = this.ui.prompt;
    const wanted = this.model.analysis.rally_facts;
    const row = this.model.rallies.get(rally);
    const next = wanted.slice(wanted.indexOf(fact) + 1).find((name) => !row[name]);
    this.ui.prompt = null;
    this.refresh();
    if (next) this.askFact(rally, next, goOn);
    else if (goOn) this.nextProposal(row.start_s);
  },

  faster() {
    this.say(w("speed_is", { n: this.film.faster().toLocaleString(document.documentElement.lang) }));
  },

  // What was taken back is seen here too: the proposal that waits again.
  showHeard({ row, id }) {
    const proposal = row === "proposal" ? id : row === "rally" ? this.model.heard.of.get(id) : null;
    if (this.model.proposalList.some((one) => one.id === proposal)) this.openProposal(proposal, false);
  },

  // Situations are snapped to the hit that was heard just before the key.
  hitBefore(at, rally) {
    const from = Math.max(at - NOTICED_S, rally.start_s);
    const to = Math.min(at, rally.end_s ?? Infinity);
    return this.model.hits.findLast((hit) => hit >= from && hit <= to) ?? Math.min(Math.max(at, rally.start_s), to);
  },

  // Whether the film stands in the open proposal, so that what is said now is said of it.
  inProposal(at) {
    const row = this.proposal;
    return row && at >= row.start_s && at <= row.end_s + NOTICED_S ? row : null;
  },

  // A rally that is started by hand where one was heard corrects its start.
  startsProposal(at) {
    const row = this.proposal;
    return row && at >= row.start_s - BEFORE_SERVE_S && at < row.end_s ? row : null;
  },
};
