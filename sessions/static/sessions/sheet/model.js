// What the sheet shows: the last state document with the operations on top that the server has not answered yet.
import { Proposals } from "./proposals.js";
import { applySpot, findSpot } from "./spot_rows.js";

const NEW_RALLY = {
  end_s: null,
  server: null,
  winner: "",
  near_pair: "",
  side: "",
  score_set: null,
  reason: "",
  net_pair: "",
  ended_by: null,
  ended_how: "",
  timed: true,
  dropped: false,
};
// What is set here gives a time to a row from a sheet without times.
const TIMES = { rally: "start_s", situation: "hit_s" };
const NEW_SITUATION = {
  trigger: "",
  ball: "normal",
  choice: "",
  outcome: "",
  shown_only: false,
  not_codable: "",
  note: "",
  drawn: false,
  dropped: false,
};
// Which parts of the document hold rows of which kind.
const ROWS = { rallies: "rally", situations: "situation", closures: "closure" };

// Every operation comes down to values on one row; an undo carries the values that it brings back.
export function patchOf(op) {
  const { kind, target, body, local } = op;
  if (kind === "undo") return local;
  if (kind === "rally.add") return { row: "rally", id: target, fields: { ...NEW_RALLY, ...body } };
  if (kind === "situation.add")
    return { row: "situation", id: target, fields: { ...NEW_SITUATION, ...body } };
  if (kind === "mark.set") return { row: "mark", id: target, fields: { value: body.value } };
  if (kind === "area.close") return { row: "closure", id: target, fields: { situations: body.situations } };
  if (kind === "area.open") return { row: "closure", id: target, fields: { situations: null } };
  const [row, verb] = kind.split(".");
  if (verb === "drop") return { row, id: target, fields: { dropped: true } };
  return { row, id: target, fields: TIMES[row] in body ? { ...body, timed: true } : body };
}

export class Model {
  constructor(doc, pending = []) {
    this.gone = new Map();
    this.heard = new Proposals();
    this.take(doc, pending);
  }

  take(doc, pending) {
    this.fill(doc);
    // Rows that were removed are not in the document; an undo on this device needs them again.
    for (const rows of [this.rallies, this.situations]) {
      for (const row of rows?.values() ?? []) if (row.dropped) this.gone.set(row.uuid, row);
    }
    this.stamp = doc.stamp;
    this.hits = doc.hits ?? [];
    Object.assign(this, { analysis: doc.analysis, match: doc.match, seats: doc.seats, draws: doc.draws });
    this.areas = doc.areas;
    this.area = new Map(doc.areas.map((area) => [area.code, area]));
    this.units = new Map(doc.units.map((unit) => [unit.id, unit]));
    this.knownOf = new WeakMap();
    this.nextSeq = doc.next_seq;
    this.situations = new Map(doc.situations.map((row) => [row.uuid, row]));
    this.closures = new Map(doc.closures.map((row) => [`${row.rally}/${row.area}`, row]));
    this.takeRallies(doc, pending, true);
  }

  // Rows leave out what is as in an empty row of their kind; the whole document says what that is.
  fill(doc) {
    this.emptyRows = doc.empty ?? this.emptyRows;
    const filled = (kind, row) => ({ ...this.emptyRows[kind], ...row });
    for (const [name, kind] of Object.entries(ROWS)) doc[name] = doc[name]?.map((row) => filled(kind, row));
    for (const { marks } of doc.situations ?? [])
      for (const code of Object.keys(marks)) marks[code] = filled("mark", marks[code]);
  }

  takeRallies(doc, pending, all = false) {
    if (!all) this.fill(doc);
    this.moved = true;
    const kept = all ? [] : [...this.rallies.values()].filter((row) => row.dropped);
    this.rallies = new Map([...kept, ...doc.rallies].map((row) => [row.uuid, row]));
    if (doc.proposals) this.heard.take(doc.proposals);
    this.next = doc.ledger_next;
    this.end = doc.ledger_end;
    this.put(pending.filter((op) => all || ["rally", "proposal"].includes(patchOf(op).row)));
  }

  // What other devices have written since the last reading, with what this one has on its way on top.
  takeSome(doc, pending) {
    const rallies = doc.rallies && { ...doc, situations: [], closures: [] };
    delete doc.rallies;
    this.fill(doc);
    this.moved = true;
    this.stamp = doc.stamp;
    for (const row of doc.situations) this.situations.set(row.uuid, row);
    for (const row of doc.closures) this.closures.set(`${row.rally}/${row.area}`, row);
    if (doc.proposals && !rallies) this.heard.take(doc.proposals);
    for (const name of ["analysis", "draws", "hits", "hunches"]) {
      if (name in doc) this[name] = doc[name];
    }
    // A draw marks situations that nobody wrote in since.
    for (const uuid of doc.draws?.flatMap((draw) => draw.drawn) ?? []) {
      const row = this.situations.get(uuid);
      if (row && !row.drawn) this.situations.set(uuid, { ...row, drawn: true });
    }
    if (rallies) this.takeRallies(rallies, []);
    this.put(pending);
  }

  put(ops) {
    for (const op of ops) this.change(op);
    if (this.moved) this.sort();
  }

  sort() {
    const kept = (rows) => [...rows.values()].filter((row) => !row.dropped);
    this.rallyList = kept(this.rallies).sort((a, b) => a.start_s - b.start_s);
    this.proposalList = this.heard.list(this.rallies, this.rallyList);
    this.situationList = kept(this.situations).sort((a, b) => a.hit_s - b.hit_s);
    const before = this.byRally;
    this.byRally = new Map();
    for (const row of this.situationList) {
      if (!this.byRally.has(row.rally)) this.byRally.set(row.rally, []);
      this.byRally.get(row.rally).push(row);
    }
    // A list with the same rows stays the same list: by that the table knows what it need not look at.
    for (const [rally, rows] of this.byRally) {
      const old = before?.get(rally);
      if (old?.length === rows.length && rows.every((row, index) => row === old[index]))
        this.byRally.set(rally, old);
    }
    this.moved = false;
  }

  // A row that is another now and stands where it stood: with thousands of rows a mark must not sort them all.
  inPlace(old, next) {
    this.situations.set(next.uuid, next);
    if (this.moved || old.dropped) return;
    this.situationList[this.situationList.indexOf(old)] = next;
    const rows = this.byRally.get(next.rally).map((row) => (row === old ? next : row));
    this.byRally.set(next.rally, rows);
  }

  find(row, id) {
    if (row === "rally") return this.rallies.get(id) ?? this.gone.get(id);
    if (row === "situation") return this.situations.get(id) ?? this.gone.get(id);
    if (row === "closure") return this.closures.get(id);
    if (row === "proposal") return this.heard.find(id);
    if (row === "spot") return findSpot(this, id);
    const [situation, code] = id.split("/");
    return this.find("situation", situation)?.marks[code];
  }

  rev(row, id) {
    return this.find(row, id)?.rev ?? 0;
  }

  // What an undo of this operation would have to put back.
  inverse(op) {
    const { row, id, fields } = patchOf(op);
    const there = this.find(row, id);
    if (!there && (row === "rally" || row === "situation")) return { row, id, fields: { dropped: true } };
    const empty = row === "mark" ? { value: null } : { situations: null };
    const old = Object.keys(fields).map((name) => [name, (there ?? empty)[name] ?? null]);
    return { row, id, fields: Object.fromEntries(old) };
  }

  apply(op) {
    this.put([op]);
  }

  change(op) {
    const { row, id, fields } = patchOf(op);
    if (row === "mark") this.applyMark(id, fields);
    else if (row === "closure") this.applyClosure(id, fields);
    else if (row === "spot") applySpot(this, id, fields);
    else if (row === "proposal") this.applyProposal(id, fields);
    else this.applyRow(row, id, fields);
  }

  applyRow(row, id, fields) {
    const rows = row === "rally" ? this.rallies : this.situations;
    const there = this.find(row, id);
    if (!there && fields.dropped !== false) return;
    const was = there?.dropped ?? true;
    this.moved = true;
    const own = row === "situation" ? { marks: {}, timed: this.rallies.get(fields.rally)?.timed ?? true } : {};
    const next = { uuid: id, rev: 0, ...own, ...there, ...fields };
    if (row === "situation" && (!there || "shown_only" in fields) && this.underRule(next.rally, next.area))
      next.drawn = !next.shown_only;
    rows.set(id, next);
    if (row === "rally" && was !== next.dropped) {
      this.heard.rally(id, next);
      this.renumber(next);
    }
  }

  applyProposal(id, fields) {
    this.moved = true;
    this.heard.set(id, fields);
  }

  // Rallies and what was heard between them, in the order of time.
  lines() {
    return [...this.rallyList, ...this.proposalList].sort((a, b) => a.start_s - b.start_s);
  }

  // The server numbers in the same way: an overlooked rally takes its number, a removed one gives it back.
  renumber(rally) {
    const others = [...this.rallies.values()].filter((row) => !row.dropped && row.uuid !== rally.uuid);
    const later = others.filter((row) => row.start_s > rally.start_s && row.number >= rally.number);
    const step = rally.dropped
      ? others.some((row) => row.number === rally.number)
        ? 0
        : -1
      : later.some((row) => row.number === rally.number)
        ? 1
        : 0;
    for (const row of later) this.rallies.set(row.uuid, { ...row, number: row.number + step });
  }

  applyMark(id, fields) {
    const [uuid, code] = id.split("/");
    const situation = this.situations.get(uuid);
    if (!situation) return;
    const mark = { rev: 0, ...situation.marks[code], ...fields };
    this.inPlace(situation, { ...situation, marks: { ...situation.marks, [code]: mark } });
  }

  applyClosure(id, fields) {
    const [rally, area] = id.split("/");
    this.closures.set(id, { rally, area, rev: 0, ...this.closures.get(id), ...fields });
  }

  setRev(row, id, rev) {
    const there = this.find(row, id);
    if (there) there.rev = rev;
  }

  // What follows from the rows

  of(rally, area) {
    return (this.byRally.get(rally) ?? []).filter((row) => !area || row.area === area);
  }

  counted(rally, area) {
    return this.of(rally, area).filter((row) => !row.shown_only).length;
  }

  closed(rally, area) {
    const closure = this.closures.get(`${rally}/${area}`);
    return Boolean(closure) && closure.situations !== null;
  }

  value(situation, code) {
    return situation.marks[code]?.value ?? null;
  }

  // Wanted of thousands at each key, and the same as long as the row is.
  known(situation) {
    let known = this.knownOf.get(situation);
    if (!known) {
      const asked = this.toAsk(situation);
      const open = situation.not_codable ? [] : asked.filter((code) => !this.value(situation, code));
      known = { asked, open };
      this.knownOf.set(situation, known);
    }
    return known;
  }

  asked(situation) {
    return this.known(situation).asked;
  }

  openChecks(situation) {
    return this.known(situation).open;
  }

  toAsk(situation) {
    const unit = this.units.get(situation.unit);
    const key = `${situation.end}/${situation.trigger || "any"}/${unit?.kind}`;
    const asked = this.area.get(situation.area)?.asked[key] ?? [];
    const order = (this.area.get(situation.area)?.checks ?? []).map((check) => check.code);
    const marked = Object.keys(situation.marks).filter((code) => this.value(situation, code));
    return order.filter((code) => asked.includes(code) || marked.includes(code));
  }

  check(situation, code) {
    return this.area.get(situation.area)?.checks.find((check) => check.code === code);
  }

  // What is judged of an area in a rally: in a drawn plan what was drawn, never what is only shown.
  toJudge(rally, area) {
    const drawn = this.analysis.plan === "drawn";
    return this.of(rally, area).filter((row) => !row.shown_only && (row.drawn || !drawn));
  }

  // Without a list beforehand every so many rallies is looked at: its situations are drawn as they are listed.
  underRule(rally, area) {
    const number = this.rallies.get(rally)?.number;
    return this.draws.some(
      ({ area: code, every, first }) =>
        every && code === area && number >= first && (number - first) % every === 0,
    );
  }

  // The order of the second pass: along the draw where there is one, else along the match. What is only shown stands
  // beside it.
  steps() {
    const { plan } = this.analysis;
    if (plan !== "drawn")
      return this.situationList.filter((row) => row.area && (plan === "chosen" || !row.shown_only));
    const drawn = this.areas.flatMap(({ code }) =>
      this.draws.filter((draw) => draw.area === code).flatMap((draw) => this.drawnIn(draw)),
    );
    return [...new Set(drawn)].map((uuid) => this.situations.get(uuid)).filter((row) => row && !row.dropped);
  }

  drawnIn({ area, every, drawn }) {
    if (!every) return drawn;
    return this.situationList.filter((row) => row.area === area && row.drawn).map((row) => row.uuid);
  }

  ledger(rally) {
    if (rally.ledger) return rally.ledger;
    return this.rallyList.at(-1)?.uuid === rally.uuid ? this.next : null;
  }

  near(rally) {
    return rally.near_pair || this.ledger(rally)?.near || this.next?.near || this.match.first_near;
  }

  server(rally) {
    return rally.server ?? this.ledger(rally)?.server ?? null;
  }

  side(rally) {
    return rally.side || this.ledger(rally)?.side || "";
  }

  seat(position) {
    return this.seats.find((seat) => seat.position === position);
  }

  pairName(letter) {
    return this.seats
      .filter((seat) => seat.pair === letter)
      .map((seat) => seat.short)
      .join(", ");
  }

  rallyAt(time) {
    return this.rallyList.find((row) => row.timed && this.holds(row, time));
  }

  holds(rally, time) {
    return rally.start_s <= time && (rally.end_s === null || time <= rally.end_s);
  }

  // In a rally whose time nobody knows a new situation comes last.
  last(rally) {
    return this.of(rally.uuid).at(-1)?.hit_s ?? rally.start_s;
  }

  unfinished(rally) {
    return rally.timed && rally.end_s === null;
  }
}
