// The sheet itself: a row per rally, the score before it in the margin, a narrow column per area of the lens.
import { coveredRallies, coveredScores } from "./cover.js";
import { el, hidden, redraw } from "./dom.js";
import { marks } from "./marks.js";
import { PencilledRows } from "./proposals.js";
import { clock, w } from "./words.js";

export class Table {
  constructor(holder, acts) {
    this.acts = acts;
    this.rows = new Map();
    this.pencilled = new PencilledRows(acts);
    this.drawn = new Map();
    this.body = el("tbody");
    this.head = el("thead");
    this.table = el(
      "table",
      { class: "sheet grid small rally-sheet" },
      el("caption", { class: "hidden-words" }, w("caption")),
      this.head,
      this.body,
    );
    this.empty = el("p", { class: "sheet-empty" });
    holder.replaceChildren(this.table, this.empty);
    this.detail = el("tr", { class: "open-row" });
    this.detailCell = el("td");
    this.detail.append(this.detailCell);
  }

  draw(model, ui) {
    redraw(
      this.head,
      model.areas.map((area) => [area.code, area.key]),
      () => this.columns(model),
    );
    this.detailCell.colSpan = 7 + model.areas.length;
    const covered = coveredRallies(model, ui);
    const scores = coveredScores(model, covered);
    const wanted = [];
    // What was heard is decided in the first pass; in the second nothing stands between the rallies.
    for (const row of ui.pass === 1 ? model.lines() : model.rallyList) {
      if (!row.uuid) wanted.push(...this.pencilled.of(model, ui, row));
      else wanted.push(this.row(model, ui, row, covered, scores));
      if (row.uuid && row.uuid === ui.rally) wanted.push(this.detail);
    }
    this.place(wanted);
    const none = wanted.length === 0;
    this.table.hidden = none;
    this.empty.hidden = !none;
    this.empty.textContent = none ? w(model.analysis.writable ? "empty_write" : "empty_read") : "";
  }

  place(wanted) {
    const kept = new Set(wanted);
    for (const row of [...this.body.children]) {
      if (kept.has(row)) continue;
      // A row that goes must not take the keys with it.
      const focused = row.contains(document.activeElement);
      row.remove();
      if (focused) this.body.closest("[data-sheet]").focus({ preventScroll: true });
    }
    wanted.forEach((row, index) => {
      if (this.body.children[index] !== row) this.body.insertBefore(row, this.body.children[index] ?? null);
    });
  }

  columns(model) {
    const names = ["col_score", "col_number", "col_time", "col_server", "col_place", "col_winner"];
    const fixed = names.map((name) => el("th", { scope: "col", class: name }, w(name)));
    const areas = model.areas.map((area) =>
      el(
        "th",
        { scope: "col", class: "area-head" },
        el("span", { class: "area-name" }, area.name),
        area.key ? el("kbd", { title: area.name }, area.key) : null,
      ),
    );
    return [el("tr", {}, ...fixed, ...areas)];
  }

  data(model, ui, rally, covered, scores) {
    const ledger = model.ledger(rally);
    const server = model.server(rally);
    return {
      number: rally.number,
      time: rally.timed ? clock(rally.start_s) : "",
      unfinished: model.unfinished(rally),
      score: scores.has(rally.uuid) ? null : (ledger?.before ?? "…"),
      wrong: (rally.ledger?.contradictions ?? []).length > 0,
      server: server ? (model.seat(server)?.short ?? "") : "",
      side: model.side(rally),
      near: model.near(rally),
      winner: rally.winner,
      covered: covered.has(rally.uuid),
      open: rally.uuid === ui.rally,
      areas: model.areas.map((area) => ({
        name: area.name,
        closed: model.closed(rally.uuid, area.code),
        marks: model.of(rally.uuid, area.code).map((row) => ({
          values: model.asked(row).map((code) => [code, model.value(row, code)]),
          drawn: row.drawn,
          shown: row.shown_only,
          away: row.not_codable !== "",
        })),
      })),
      drawn: model.analysis.plan === "drawn" && model.draws.length > 0,
    };
  }

  // All that a row is drawn from. The model gives another object for whatever is another, so that a key looks at the
  // one row that it changed; what a row shows beyond this has to be named here too.
  sources(model, ui, rally, covered, scores) {
    const closures = model.areas.map((area) => model.closures.get(`${rally.uuid}/${area.code}`));
    const said = [covered.has(rally.uuid), scores.has(rally.uuid), rally.uuid === ui.rally];
    const whole = [model.areas, model.draws, model.analysis, model.seats];
    const own = [rally, model.byRally.get(rally.uuid), model.ledger(rally), model.near(rally)];
    return [...own, ...said, ...whole, ...closures];
  }

  row(model, ui, rally, covered, scores) {
    const now = this.sources(model, ui, rally, covered, scores);
    const before = this.drawn.get(rally.uuid);
    if (before?.length === now.length && now.every((one, index) => one === before[index]))
      return this.rows.get(rally.uuid);
    this.drawn.set(rally.uuid, now);
    return this.write(rally, this.data(model, ui, rally, covered, scores));
  }

  write(rally, data) {
    let row = this.rows.get(rally.uuid);
    if (!row) {
      row = el("tr", { "data-rally": rally.uuid, on: { click: (event) => this.clicked(event, rally.uuid) } });
      this.rows.set(rally.uuid, row);
    }
    if (data.open) row.setAttribute("aria-current", "true");
    else row.removeAttribute("aria-current");
    redraw(row, data, () => this.cells(rally.uuid, data));
    return row;
  }

  clicked(event, uuid) {
    if (event.target.closest("button, a")) return;
    this.acts.open(uuid);
  }

  cells(uuid, data) {
    const open = el(
      "button",
      {
        type: "button",
        class: "row-number",
        "aria-expanded": String(data.open),
        "data-focus": `row-${uuid}`,
        on: { click: () => this.acts.open(data.open ? null : uuid) },
      },
      hidden(w("rally")),
      ` ${data.number}`,
    );
    const place = [data.side ? w(`side_${data.side}`) : "", w("near_is", { pair: data.near })]
      .filter(Boolean)
      .join(", ");
    return [
      el(
        "td",
        { class: "score-margin" },
        data.wrong
          ? el("span", { class: "wrong-mark", title: w("contradiction") }, "!", hidden(w("contradiction")))
          : null,
        data.score ?? this.cover(),
      ),
      el("th", { scope: "row", class: "num" }, open),
      el("td", { class: "num" }, data.time),
      el("td", { class: "serves" }, data.server),
      el("td", { class: "place" }, place),
      el("td", { class: "won" }, data.covered ? this.cover() : this.winner(data)),
      ...data.areas.map((area) => this.area(area, data.drawn)),
    ];
  }

  winner(data) {
    if (data.winner === "none") return w("nobody");
    return data.winner || (data.unfinished ? w("in_play") : "");
  }

  cover() {
    return el("span", { class: "covered", title: w("covered") }, hidden(w("covered")));
  }

  area(area, drawn) {
    const said = [];
    const groups = area.marks.map((situation) => {
      const out = situation.away || situation.shown || (drawn && !situation.drawn);
      const values = situation.values.length ? situation.values : [["", null]];
      said.push(
        situation.values
          .map(([code, value]) => `${code} ${value ? w(`mark_${value}`) : w("open_check")}`)
          .concat(situation.shown ? [w("only_shown_mark")] : [])
          .join(", "),
      );
      const title = situation.shown ? w("only_shown_mark") : null;
      return { values: values.map(([, value]) => value), out, shown: situation.shown, title };
    });
    if (area.closed) said.push(w("done_area"));
    const closed = area.closed ? "area-cell done" : "area-cell";
    return el(
      "td",
      { class: closed },
      marks(groups),
      area.closed && !groups.length ? el("span", { class: "none", "aria-hidden": "true" }, "0") : null,
      hidden(said.join("; ")),
    );
  }
}
