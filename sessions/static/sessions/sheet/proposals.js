// What was heard and waits for a word: proposals between the rallies, in match time.
import { button, el, hidden, redraw } from "./dom.js";
import { keyOf } from "./keynames.js";
import { clock, w } from "./words.js";

// A proposal of which a rally covers more than this share is that rally, whoever entered it.
const SAME = 0.5;

export class Proposals {
  constructor() {
    this.rows = new Map();
    this.waiting = new Set();
    // Which proposal a rally was made of, on this device: taken back, the proposal waits again before the server says so.
    this.of = new Map();
  }

  take(rows) {
    for (const [id, row] of this.rows) if (row.again) this.rows.set(id, { ...row, again: false });
    this.waiting = new Set(rows.map((row) => String(row.id)));
    for (const row of rows) {
      const id = String(row.id);
      const old = this.rows.get(id);
      const same = old && !old.dismissed && old.start_s === row.start_s && old.end_s === row.end_s;
      // One that is as it was stays the same object: by that the table knows what it need not look at.
      if (!same || old.sure !== row.sure) this.rows.set(id, { ...row, id, rev: 0, dismissed: false });
    }
  }

  find(id) {
    return this.rows.get(String(id));
  }

  set(id, fields) {
    const row = this.find(id);
    if (row) this.rows.set(String(id), { ...row, ...fields, again: !fields.dismissed });
  }

  // A rally that was made of one is there, or was taken back.
  rally(uuid, { proposal, dropped }) {
    if (proposal !== undefined && proposal !== null) this.of.set(uuid, String(proposal));
    const row = this.find(this.of.get(uuid));
    if (row) this.rows.set(row.id, { ...row, dismissed: dropped ? row.dismissed : false, again: Boolean(dropped) });
  }

  // Those that wait, in the order of time, without those that a rally has or lies over.
  list(rallies, rallyList) {
    const taken = new Set();
    for (const [uuid, id] of this.of) if (rallies.get(uuid)?.dropped === false) taken.add(id);
    const timed = rallyList.filter((rally) => rally.timed && rally.end_s !== null);
    const covered = (row) =>
      timed.some((rally) => {
        const shared = Math.min(rally.end_s, row.end_s) - Math.max(rally.start_s, row.start_s);
        return shared > SAME * (row.end_s - row.start_s);
      });
    return [...this.rows.values()]
      .filter((row) => (this.waiting.has(row.id) || row.again) && !row.dismissed && !taken.has(row.id))
      .filter((row) => !covered(row))
      .sort((a, b) => a.start_s - b.start_s);
  }
}

// A faint line in the table, as somebody would pencil it in between two rallies.
export class PencilledRows {
  constructor(acts) {
    this.acts = acts;
    this.rows = new Map();
    this.detail = el("tr", { class: "open-row" });
    this.cell = el("td");
    this.holder = el("div", { class: "open-parts" });
    this.cell.append(this.holder);
    this.detail.append(this.cell);
  }

  // The rows of one proposal: its line, and what can be said about it where it is the open one.
  of(model, ui, proposal) {
    const open = this.acts.proposal?.id === proposal.id;
    let row = this.rows.get(proposal.id);
    if (!row) {
      row = el("tr", {
        class: "pencilled",
        "data-proposal": proposal.id,
        on: { click: (event) => !event.target.closest("button") && this.acts.openProposal(proposal.id) },
      });
      this.rows.set(proposal.id, row);
    }
    if (open) row.setAttribute("aria-current", "true");
    else row.removeAttribute("aria-current");
    redraw(row, [proposal, open, model.areas.length], () => this.cells(model, proposal, open));
    if (!open) return [row];
    this.cell.colSpan = 6 + model.areas.length;
    redraw(this.holder, [proposal, this.acts.writable, model.seats], () => this.asks(model, proposal));
    return [row, this.detail];
  }

  cells(model, proposal, open) {
    const number = button(
      "",
      () => this.acts.openProposal(open ? null : proposal.id),
      {
        class: "row-number",
        "aria-expanded": String(open),
        "data-focus": `heard-${proposal.id}`,
      },
      hidden(w("heard_rally")),
      el("span", { "aria-hidden": "true" }, "?"),
    );
    const seconds = Math.round(proposal.end_s - proposal.start_s);
    return [
      el("td", { class: "score-margin" }),
      el("th", { scope: "row", class: "num" }, number),
      el("td", { class: "num" }, clock(proposal.start_s)),
      el("td", { colspan: "3" }, w("heard_line", { n: seconds, sure: w(`sure_${proposal.sure}`) })),
      ...model.areas.map(() => el("td")),
    ];
  }

  asks(model, proposal) {
    const when = { from: clock(proposal.start_s, true), to: clock(proposal.end_s, true) };
    const said = w("heard_from_to", { ...when, sure: w(`sure_${proposal.sure}`) });
    if (!this.acts.writable) return el("p", {}, said);
    const won = (code, name, act) =>
      button(
        name,
        () => this.acts.endRally(code),
        { "data-focus": `won-${code}` },
        el("kbd", { "aria-hidden": "true" }, keyOf(act)),
      );
    return [
      el("p", {}, said),
      el(
        "div",
        { class: "fact-line", role: "group", "aria-label": w("heard_who_won") },
        el("span", { class: "soft" }, w("heard_who_won")),
        won("A", model.pairName("A"), "won_a"),
        won("B", model.pairName("B"), "won_b"),
        won("none", w("nobody"), "won_none"),
        button(
          w("no_rally_here"),
          () => this.acts.dismiss(),
          { class: "button quiet", "data-focus": "no-rally" },
          el("kbd", { "aria-hidden": "true" }, keyOf("clear")),
        ),
        button(w("heard_again"), () => this.acts.watch(proposal), {
          class: "button quiet",
          "data-focus": "heard-again",
        }),
      ),
    ];
  }
}
