// The open row: the rally, its situations with their checks as a line of cells, and what can be done.
import { button, choice, el, glyph, hidden, redraw } from "./dom.js";
import { Facts, factPrompt } from "./facts.js";
import { keyOf } from "./keynames.js";
import { clock, w } from "./words.js";

const AWAY = ["blocked_view", "off_picture", "no_situation"];

export class OpenRow {
  constructor(holder, acts) {
    this.acts = acts;
    this.facts = new Facts(acts);
    this.holder = el("div", { class: "open-parts" });
    holder.replaceChildren(this.holder);
    this.parts = Object.fromEntries(
      ["said", "facts", "prompt", "lines", "ask", "foot"].map((name) => [
        name,
        el("div", { class: `open-${name}` }),
      ]),
    );
    this.holder.append(...Object.values(this.parts));
  }

  draw(model, ui, covered) {
    const rally = model.rallies.get(ui.rally);
    if (!rally) return;
    const writable = this.acts.writable;
    const hide = covered.has(rally.uuid);
    const ledger = model.ledger(rally);
    const { parts } = this;
    redraw(parts.said, [rally.ledger?.contradictions ?? []], () => this.contradictions(rally));
    const brief = !writable || ui.pass === 2;
    redraw(parts.facts, [rally, ledger, brief, hide], () =>
      brief ? this.facts.words(model, rally, hide) : this.facts.fields(model, rally),
    );
    redraw(parts.prompt, [ui.prompt], () => (ui.prompt ? this.prompt(model, ui.prompt) : []));
    const lines = model.of(rally.uuid);
    redraw(parts.lines, [lines, ui.situation, ui.check, writable], () =>
      this.lines(model, ui, lines, writable),
    );
    redraw(parts.ask, [ui.situation, ui.check, lines, writable, this.acts.leading], () => this.ask(model, ui, writable));
    const closed = model.areas.map((area) => [
      model.closed(rally.uuid, area.code),
      model.counted(rally.uuid, area.code),
    ]);
    redraw(parts.foot, [rally.uuid, rally.timed, closed, writable], () => this.foot(model, rally, writable));
  }

  contradictions(rally) {
    return (rally.ledger?.contradictions ?? []).map((sentence) =>
      el("p", { class: "note wrong small" }, sentence),
    );
  }

  prompt(model, prompt) {
    if (prompt.fact) return factPrompt(this.acts, prompt);
    const area = model.area.get(prompt.area);
    const units = prompt.units.map((id, index) =>
      button(
        model.units.get(id).name,
        () => this.acts.answer(index),
        { "data-focus": `unit-${index}` },
        el("kbd", { "aria-hidden": "true" }, String(index + 1)),
      ),
    );
    const cancel = button(
      w("cancel"),
      () => {
        this.acts.ui.prompt = null;
        this.acts.refresh();
      },
      { class: "button quiet", "data-focus": "unit-no" },
    );
    return el(
      "div",
      { class: "note", role: "group", "aria-label": w("who_is_it", { area: area.name }) },
      el("p", {}, w("who_is_it", { area: area.name }), prompt.timed ? ` (${clock(prompt.at, true)})` : ""),
      el("div", { class: "actions" }, units, cancel),
    );
  }

  lines(model, ui, lines, writable) {
    if (!lines.length) return el("p", { class: "soft" }, w("no_situations_yet"));
    return el(
      "ol",
      { class: "situation-lines" },
      lines.map((row) => this.line(model, ui, row, writable)),
    );
  }

  line(model, ui, row, writable) {
    const area = model.area.get(row.area);
    const unit = model.units.get(row.unit);
    const current = row.uuid === ui.situation;
    const said = { time: clock(row.hit_s, true), area: area?.name ?? "", who: unit?.name ?? "" };
    const name = button(
      w(row.timed ? "situation_line" : "situation_line_untimed", said),
      () => {
        this.acts.choose(row.uuid);
        this.acts.runUpTo(row);
      },
      { class: "button quiet", "data-focus": `situation-${row.uuid}` },
    );
    const notes = [w(`end_${row.end}`), w("ball_is", { ball: w(`ball_${row.ball}`) })];
    if (row.drawn) notes.push(w("drawn"));
    if (row.shown_only) notes.push(w("only_shown_mark"));
    if (row.not_codable)
      notes.push(AWAY.includes(row.not_codable) ? w(`away_${row.not_codable}`) : row.not_codable);
    return el(
      "li",
      { class: current ? "current" : "" },
      el("div", { class: "line-head" }, name, el("span", { class: "soft small" }, notes.join(", "))),
      el(
        "div",
        { class: "cells" },
        model.asked(row).map((code) => this.cell(model, ui, row, code, writable)),
      ),
    );
  }

  cell(model, ui, row, code, writable) {
    const value = model.value(row, code);
    const check = model.check(row, code);
    const now = row.uuid === ui.situation && code === ui.check;
    const said = `${code} ${check?.name ?? ""}: ${value ? w(`mark_${value}`) : w("open_check")}`;
    return el(
      "button",
      {
        type: "button",
        class: `cell ${value ?? "open"}`,
        title: check?.name ?? "",
        "aria-pressed": String(now),
        "aria-label": said,
        disabled: !writable,
        "data-focus": `cell-${row.uuid}-${code}`,
        on: { click: () => this.acts.choose(row.uuid, code) },
      },
      el("span", { class: "cell-code" }, code),
      glyph(value),
      el("span", { class: "cell-letter" }, value ? w(`letter_${value}`) : ""),
    );
  }

  corrections(model, row) {
    const { acts } = this;
    const area = model.area.get(row.area);
    const set = (body) => acts.setSituation(row.uuid, body);
    const triggers = area.triggers.length
      ? choice(
          w("trigger"),
          row.trigger,
          [["", w("any_trigger")], ...area.triggers.map((one) => [one.code, one.when])],
          (value) => set({ trigger: value }),
          { "data-focus": "trigger" },
        )
      : null;
    const fitting = area.choices.filter((one) => !one.trigger || !row.trigger || one.trigger === row.trigger);
    const choices = fitting.length
      ? choice(
          w("choice"),
          row.choice,
          [["", w("not_said")], ...fitting.map((one) => [one.code, one.name])],
          (value) => set({ choice: value }),
          { "data-focus": "choice" },
        )
      : null;
    const away = [...new Set([...AWAY, row.not_codable])]
      .filter(Boolean)
      .map((code) => [code, AWAY.includes(code) ? w(`away_${code}`) : code]);
    const fields = el(
      "div",
      { class: "fact-line drawer-body" },
      choice(
        w("at_end"),
        row.end,
        [
          ["near", w("end_near")],
          ["far", w("end_far")],
        ],
        (value) => set({ end: value }),
        { "data-focus": "end" },
      ),
      triggers,
      choices,
      choice(
        w("judged"),
        row.not_codable,
        [["", w("can_be_judged")], ...away],
        (value) => set({ not_codable: value }),
        { "data-focus": "away" },
      ),
      button(w("hit_is_here"), () => set({ hit_s: acts.film.now() }), {
        class: "button quiet",
        "data-focus": "hit",
      }),
      button(
        row.shown_only ? w("make_counted") : w("make_shown"),
        () => set({ shown_only: !row.shown_only }),
        { class: "button quiet", disabled: row.drawn, "data-focus": "shown" },
      ),
      button(w("remove_situation"), () => acts.dropSituation(row.uuid), {
        class: "button quiet",
        disabled: row.drawn,
        "data-focus": "drop",
      }),
    );
    const toggled = (event) => {
      this.correcting = event.target.open;
    };
    return el(
      "details",
      { class: "drawer", open: this.correcting, on: { toggle: toggled } },
      el("summary", {}, w("correct_situation")),
      fields,
    );
  }

  // The question of the current cell, and every key of it as a button too.
  ask(model, ui, writable) {
    const row = model.situations.get(ui.situation);
    if (!row || row.dropped || row.rally !== ui.rally || !writable) return [];
    const key = (act) => el("kbd", { "aria-hidden": "true" }, keyOf(act));
    const ball = (word) =>
      button(
        w(`ball_${word}`),
        () => this.acts.ball(word),
        {
          "aria-pressed": String(row.ball === word),
          title: model.area.get(row.area).ball[word] ?? "",
          "data-focus": `ball-${word}`,
        },
        word === "normal" ? null : key(word),
      );
    const check = ui.check ? model.check(row, ui.check) : null;
    const leads = this.acts.leading;
    const mark = (value) =>
      button(
        w(`mark_${value}`),
        () => this.acts.mark(value),
        {
          class: `mark-button ${value}`,
          "aria-pressed": String(model.value(row, check.code) === value),
          "data-focus": `mark-${value}`,
        },
        glyph(value),
        key(value),
      );
    const question = check
      ? [
          el("h2", {}, `${check.code} ${check.name}`),
          el(
            "dl",
            { class: "met-missed" },
            el("dt", {}, w("mark_met")),
            el("dd", {}, check.met),
            el("dt", {}, w("mark_missed")),
            el("dd", {}, check.missed),
          ),
          check.applies ? el("p", { class: "soft small" }, check.applies) : null,
          leads ? el("p", { class: "soft" }, w("film_runs_first")) : null,
          el(
            "div",
            { class: "actions asked-marks" },
            mark("met"),
            mark("missed"),
            mark("not_seen"),
            model.value(row, check.code)
              ? button(w("clear_mark"), () => this.acts.mark(null), {
                  class: "button quiet",
                  "data-focus": "clear",
                })
              : null,
          ),
        ]
      : [el("p", { class: "soft" }, w("all_marked"))];
    const balls = el(
      "div",
      { class: "actions ball" },
      el("span", { class: "soft" }, w("ball_was")),
      ball("easy"),
      ball("normal"),
      ball("hard"),
    );
    return el(
      "section",
      { class: "asks", "aria-label": w("current_check") },
      question,
      balls,
      this.corrections(model, row),
    );
  }

  foot(model, rally, writable) {
    if (!writable) return el("p", { class: "soft" }, this.closedWords(model, rally));
    const { acts } = this;
    const here = w(rally.timed ? "add_here" : "add_here_untimed");
    const adds = model.areas.map((area) =>
      button(
        area.name,
        () => acts.ask(area.code),
        { "data-focus": `add-${area.code}` },
        area.key ? el("kbd", { "aria-hidden": "true" }, area.key) : null,
      ),
    );
    const closes = model.areas.map((area) => {
      const closed = model.closed(rally.uuid, area.code);
      const n = model.counted(rally.uuid, area.code);
      return button(
        w(closed ? "closed_n" : "close_n", { area: area.name, n }),
        () => acts.close(area.code, rally),
        { "aria-pressed": String(closed), class: "close-area", "data-focus": `close-${area.code}` },
      );
    });
    return [
      el(
        "div",
        { class: "actions", role: "group", "aria-label": here },
        el("span", { class: "soft" }, here),
        adds,
      ),
      el(
        "div",
        { class: "actions", role: "group", "aria-label": w("close_here") },
        el("span", { class: "soft" }, w("close_here")),
        closes,
      ),
      el(
        "div",
        { class: "actions" },
        button(w("remove_rally"), () => acts.dropRally(), {
          class: "button quiet",
          "data-focus": "drop-rally",
        }),
        hidden(w("rally_n", { n: rally.number })),
      ),
    ];
  }

  closedWords(model, rally) {
    const done = model.areas.filter((area) => model.closed(rally.uuid, area.code));
    return done
      .map((area) => w("closed_n", { area: area.name, n: model.counted(rally.uuid, area.code) }))
      .join(". ");
  }
}
