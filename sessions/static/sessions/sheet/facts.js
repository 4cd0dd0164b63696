// Facts of a rally: when, who serves, from where, at which end, who won. They follow from the rules and can be
// corrected; what is corrected is kept, and marked where the rules say otherwise.
import { button, choice, el } from "./dom.js";
import { keyOf } from "./keynames.js";
import { readScore, scoreParts } from "./score.js";
import { clock, readClock, w } from "./words.js";

export class Facts {
  constructor(acts) {
    this.acts = acts;
  }

  fields(model, rally) {
    const { acts } = this;
    const ledger = model.ledger(rally);
    const seats = model.seats.map((seat) => [String(seat.position), seat.name]);
    const follows = (value) => w("follows", { value: value || "…" });
    const due = ledger?.server ? model.seat(ledger.server)?.short : "";
    return [
      el(
        "div",
        { class: "fact-line" },
        this.time("start_s", w("starts"), rally.timed ? rally.start_s : null),
        this.time("end_s", w("ends"), rally.timed ? rally.end_s : null),
        choice(
          w("col_server"),
          rally.server ?? "",
          [["", follows(due)], ...seats],
          (value) => acts.setRally({ server: value ? Number(value) : null }),
          { "data-focus": "server" },
        ),
        choice(
          w("side"),
          rally.side,
          [
            ["", follows(ledger?.side ? w(`side_${ledger.side}`) : "")],
            ["left", w("side_left")],
            ["right", w("side_right")],
          ],
          (value) => acts.setRally({ side: value }),
          { "data-focus": "side" },
        ),
        choice(
          w("near_end"),
          rally.near_pair,
          [
            ["", follows(ledger?.near)],
            ["A", model.pairName("A")],
            ["B", model.pairName("B")],
          ],
          (value) => acts.setRally({ near_pair: value }),
          { "data-focus": "near" },
        ),
      ),
      this.winner(model, rally),
      this.asked(model, rally),
      this.score(rally),
    ];
  }

  words(model, rally, hide) {
    const server = model.server(rally);
    const when = { from: clock(rally.start_s, true), to: clock(rally.end_s, true) || "…" };
    const parts = [rally.timed ? w("from_to", when) : w("rally_n", { n: rally.number })];
    if (server) parts.push(w("serves", { who: model.seat(server)?.name ?? "" }));
    if (rally.winner && !hide)
      parts.push(w("won_by", { who: rally.winner === "none" ? w("nobody") : model.pairName(rally.winner) }));
    if (!hide)
      for (const name of ["net_pair", "ended_by", "ended_how"])
        if (rally[name]) parts.push(`${w(`fact_${name}`)}: ${this.said(name, rally[name])}`);
    if (rally.reason) parts.push(rally.reason);
    return [el("p", {}, `${parts.join(". ")}.`), hide ? this.uncover(rally) : null];
  }

  said(name, value) {
    return this.acts.factAnswers(name).find(([code]) => code === value)?.[1] ?? String(value);
  }

  time(field, label, value) {
    const wrong = () => this.acts.say(w("no_time"));
    const act = (event) => {
      const seconds = readClock(event.target.value);
      if (seconds === null) wrong();
      else this.acts.setRally({ [field]: seconds });
    };
    const input = el("input", {
      type: "text",
      class: "clock",
      inputmode: "decimal",
      value: clock(value, true),
      "data-focus": field,
      on: { change: act },
    });
    const here = button(w("here"), () => this.acts.setRally({ [field]: this.acts.film.now() }), {
      class: "button quiet",
      "data-focus": `${field}-here`,
      "aria-label": `${label}: ${w("at_film_time")}`,
    });
    return el(
      "div",
      { class: "fact-time" },
      el("label", { class: "fact" }, el("span", {}, label), input),
      here,
    );
  }

  winner(model, rally) {
    const one = (code, name, key) =>
      button(
        name,
        () => this.acts.endRally(code),
        { "aria-pressed": String(rally.winner === code), "data-focus": `won-${code}` },
        el("kbd", { "aria-hidden": "true" }, key),
      );
    return el(
      "div",
      { class: "fact-line", role: "group", "aria-label": w("col_winner") },
      el("span", { class: "soft" }, w(model.unfinished(rally) ? "ends_here_won_by" : "won_by_words")),
      one("A", model.pairName("A"), keyOf("won_a")),
      one("B", model.pairName("B"), keyOf("won_b")),
      one("none", w("nobody"), keyOf("won_none")),
    );
  }

  // Only what this analysis wants, or what another one has had written.
  asked(model, rally) {
    const wanted = model.analysis.rally_facts ?? [];
    const names = ["net_pair", "ended_by", "ended_how"].filter((name) => wanted.includes(name) || rally[name]);
    if (!names.length) return null;
    const one = (name) =>
      choice(
        w(`fact_${name}`),
        String(rally[name] ?? ""),
        [["", w("not_said")], ...this.acts.factAnswers(name).map(([code, words]) => [String(code), words])],
        (value) => this.acts.setRally({ [name]: name === "ended_by" && value ? Number(value) : value || null }),
        { "data-focus": name },
      );
    return el("div", { class: "fact-line" }, names.map(one));
  }

  uncover(rally) {
    const act = () => {
      this.acts.ui.uncovered.add(rally.uuid);
      this.acts.refresh();
    };
    return el(
      "p",
      {},
      w("covered"),
      " ",
      button(w("uncover"), act, { class: "button quiet", "data-focus": "uncover" }),
    );
  }

  score(rally) {
    const parts = scoreParts(rally.score_set);
    const field = (name, label) =>
      el(
        "label",
        { class: "fact" },
        el("span", {}, label),
        el("input", { type: "text", name, value: parts[name], "data-focus": `score-${name}` }),
      );
    const said = el("p", { class: "errorlist", role: "alert" });
    const form = el(
      "form",
      { class: "score-form", on: { submit: (event) => this.setScore(event, said) } },
      field("sets", w("score_sets")),
      field("games", w("score_games")),
      field("points", w("score_points")),
      el(
        "label",
        { class: "fact" },
        el("span", {}, w("reason")),
        el("input", {
          type: "text",
          name: "reason",
          maxlength: "200",
          value: rally.reason,
          "data-focus": "score-reason",
        }),
      ),
      el("button", { type: "submit", "data-focus": "score-set" }, w("set_score")),
      rally.score_set
        ? button(w("unset_score"), () => this.acts.setRally({ score_set: null }), {
            class: "button quiet",
            "data-focus": "score-unset",
          })
        : null,
    );
    return el(
      "details",
      {
        class: "drawer",
        open: Boolean(rally.score_set) || this.setting === rally.uuid,
        on: { toggle: (event) => (this.setting = event.target.open ? rally.uuid : null) },
      },
      el("summary", {}, w("score_before")),
      el("div", { class: "drawer-body" }, said, form),
    );
  }

  setScore(event, said) {
    event.preventDefault();
    const values = Object.fromEntries(new FormData(event.target));
    const score = readScore(values);
    if (!score || !values.reason.trim()) {
      said.textContent = w(score ? "score_needs_reason" : "no_score");
      return;
    }
    said.textContent = "";
    this.acts.setRally({ score_set: score, reason: values.reason.trim() });
  }
}

// A question about the rally that has just got its winner: answered by position, skipped by Enter.
export function factPrompt(acts, prompt) {
  const answers = acts.factAnswers(prompt.fact).map(([, words], index) =>
    button(
      words,
      () => acts.answer(index),
      { "data-focus": `fact-${index}` },
      el("kbd", { "aria-hidden": "true" }, String(index + 1)),
    ),
  );
  const skip = button(
    w("skip_fact"),
    () => acts.skipFact(),
    { class: "button quiet", "data-focus": "fact-skip" },
    el("kbd", { "aria-hidden": "true" }, keyOf("done")),
  );
  return el(
    "div",
    { class: "note", role: "group", "aria-label": w(`ask_${prompt.fact}`) },
    el("p", {}, w(`ask_${prompt.fact}`)),
    el("div", { class: "actions" }, answers, skip),
  );
}
