// The form for a film: says what a file is, sends it in pieces, or leaves it on this device and sends its fingerprint.
import { clock, config, leftWords, number, readClock, sizeWords, w } from "./arrival-words.js";
import { factsOf, possible, slicesOf } from "./fingerprint.js";
import { Refused, Tus } from "./tus.js";

// Films that are no longer here do not stand in the way of sending them once more.
const ENDED = new Set(["refused", "gone"]);

class Arrival {
  constructor(root) {
    this.root = root;
    this.form = root.querySelector("form");
    this.input = this.form.elements.upload;
    this.part = (name) => root.querySelector(`[data-part="${name}"]`);
    this.act = (name) => root.querySelector(`[data-act="${name}"]`);
    this.send = this.form.querySelector("[type=submit]");
    this.chosen = null;
    this.input.addEventListener("change", () => this.choose());
    this.form.addEventListener("submit", (event) => this.submit(event));
    this.act("stay").addEventListener("click", () => this.stay());
    this.act("pause").addEventListener("click", () => this.pause());
    this.act("give-up").addEventListener("click", () => this.giveUp());
    this.leaving = (event) => event.preventDefault();
    if (!possible) this.part("facts").textContent = w("insecure");
    if (this.input.files.length) this.choose();
  }

  wrong(text = "") {
    this.part("wrong").textContent = text;
  }

  say(text = "") {
    this.part("said").textContent = text;
  }

  async choose() {
    const [file] = this.input.files;
    this.chosen = null;
    this.wrong();
    this.offer(false, false);
    this.part("facts").textContent = "";
    if (!file) return;
    if (!file.size) {
      this.wrong(w("empty", { name: file.name }));
      return;
    }
    this.part("facts").textContent = w("looking");
    try {
      const [facts, slices] = await Promise.all([factsOf(file), possible ? slicesOf(file) : ""]);
      const here = slices ? await this.known(file, slices) : {};
      if (this.input.files[0] !== file) return;
      this.chosen = { file, facts, slices, ...here };
      this.tell();
    } catch (error) {
      this.part("facts").textContent = "";
      this.wrong(error instanceof Refused ? error.sentence : w("unreadable"));
      this.offer(true, false);
    }
  }

  // What the server has of this very file: the film, or a part of it that waits to be gone on with.
  async known(file, slices) {
    const answer = await fetch(config.films, { headers: { Accept: "application/json" } }).catch(() => null);
    if (!answer?.ok) return {};
    const { films, uploads } = await answer.json();
    // The size is in the fingerprint; that of a film is of its playable copy, once there is one.
    const same = (row) => row.slices === slices;
    return { film: films.find((row) => same(row) && !ENDED.has(row.state)), upload: uploads.find(same) };
  }

  tell() {
    const { file, facts, film, upload } = this.chosen;
    const values = { name: file.name, size: sizeWords(file.size) };
    const away = film?.state === "away";
    if (film && !away) this.part("facts").textContent = w("here_already", values);
    else if (upload) {
      const percent = number(Math.floor((100 * upload.offset) / upload.length));
      this.part("facts").textContent = w("goes_on", { ...values, percent });
    } else if (facts) {
      const { width, height } = facts;
      const length = clock(facts.duration_s);
      this.part("facts").textContent = w("chosen", { ...values, length, width, height });
    } else this.part("facts").textContent = w("chosen_unplayable", values);
    this.offer(!film || away, Boolean(facts && possible && !film && !upload));
  }

  offer(send, stay) {
    this.send.disabled = !send && this.input.files.length > 0;
    this.act("stay").hidden = !stay;
    this.part("stays").hidden = !stay;
  }

  // What stands beside the file in the form; null and words where it cannot be read.
  said() {
    const offset = readClock(this.form.elements.offset_s.value);
    if (offset === undefined) {
      this.wrong(w("no_clock"));
      this.form.elements.offset_s.focus();
      return null;
    }
    return { offset_s: offset, visitors_agreed: Boolean(this.form.elements.visitors_agreed?.checked) };
  }

  async submit(event) {
    const [file] = this.input.files;
    if (!file) return;
    event.preventDefault();
    this.wrong();
    const said = this.said();
    if (!said) return;
    const told = {
      progress: (bytes) => this.progress(bytes),
      waiting: (kind, seconds) => this.say(w(kind, { n: seconds })),
      moving: () => this.say(),
    };
    this.tus = new Tus({ file, where: config.uploads, piece: config.piece, token: config.token, told });
    const { slices = "", upload } = this.chosen ?? {};
    this.show(true, file);
    try {
      if (upload) this.tus.url = upload.url;
      else {
        const agreed = said.visitors_agreed ? "1" : "";
        await this.tus.begin({
          filename: file.name,
          match: config.match,
          slices,
          offset_s: said.offset_s,
          visitors_agreed: agreed,
        });
      }
    } catch (error) {
      this.end(error);
      return;
    }
    this.run();
  }

  async run() {
    this.act("pause").textContent = w("pause");
    this.speed = null;
    this.paused = false;
    this.say(w("begins"));
    addEventListener("beforeunload", this.leaving);
    try {
      if (await this.tus.run()) this.arrived();
    } catch (error) {
      this.trouble(error);
    } finally {
      removeEventListener("beforeunload", this.leaving);
    }
  }

  pause() {
    if (this.paused) {
      this.tus.forget();
      this.run();
      return;
    }
    this.tus.stop();
    this.hold(w("paused"));
  }

  hold(sentence) {
    this.paused = true;
    this.act("pause").textContent = w("go_on");
    this.say(sentence);
  }

  // What a person can do something about holds the upload; everything else ends it.
  trouble(error) {
    if (!(error instanceof Refused)) this.hold(w("unreadable"));
    else if (error.status === 401) this.hold(w("logged_out"));
    else if (error.status === 507) this.hold(error.sentence);
    else this.end(error);
  }

  end(error) {
    this.show(false);
    this.chosen = this.chosen && { ...this.chosen, upload: undefined };
    const sentence = error.sentence ?? "";
    if (error.status === 0) this.wrong(w("unreachable"));
    else if (error.status === 401) this.wrong(w("logged_out"));
    else if ([404, 410].includes(error.status)) this.wrong(sentence || w("gone"));
    else this.wrong(w("refused", { why: sentence || error.status }));
    this.send.disabled = false;
    this.input.focus();
  }

  async giveUp() {
    this.tus.stop();
    await this.tus.giveUp();
    this.leave();
  }

  arrived() {
    this.say(w("done"));
    this.leave();
  }

  leave() {
    removeEventListener("beforeunload", this.leaving);
    location.assign(config.page);
  }

  show(going, file = null) {
    this.form.hidden = going;
    this.part("going").hidden = !going;
    const waiting = document.getElementById("waiting-uploads");
    if (waiting) waiting.hidden = going;
    if (!going) return;
    this.part("name").textContent = w("going", { name: file.name });
    this.progress(0);
    this.act("pause").focus();
  }

  progress(bytes) {
    const { size } = this.tus.file;
    this.root.querySelector("progress").value = (100 * bytes) / size;
    const words = [w("share", { done: sizeWords(bytes), size: sizeWords(size) })];
    const left = this.left(bytes, size);
    if (left !== null) words.push(leftWords(left));
    this.part("words").textContent = words.join(", ");
  }

  // Seconds that are left at the speed of late; null until a few seconds tell it.
  left(bytes, size) {
    const now = performance.now();
    if (!this.speed || bytes < this.speed.bytes) {
      this.speed = bytes ? { at: now, bytes, per_s: null } : null;
      return null;
    }
    const seconds = (now - this.speed.at) / 1000;
    if (seconds >= 2) {
      const late = (bytes - this.speed.bytes) / seconds;
      const per_s = this.speed.per_s === null ? late : 0.7 * this.speed.per_s + 0.3 * late;
      this.speed = { at: now, bytes, per_s };
    }
    return this.speed.per_s ? (size - bytes) / this.speed.per_s : null;
  }

  async stay() {
    const said = this.said();
    if (!said || !this.chosen) return;
    this.wrong();
    const { file, facts, slices } = this.chosen;
    const body = JSON.stringify({ name: file.name, size: file.size, slices, ...facts, ...said });
    const headers = { "Content-Type": "application/json", Accept: "application/json", "X-CSRFToken": config.token };
    const answer = await fetch(config.films, { method: "POST", headers, body }).catch(() => null);
    if (answer?.ok) {
      location.assign(config.page);
      return;
    }
    const told = await answer?.json().catch(() => null);
    const sentences = told ? Object.values(told).flat().join(" ") : "";
    this.wrong(answer ? w("refused", { why: sentences || answer.status }) : w("unreachable"));
  }
}

const root = document.querySelector("[data-arrival]");
if (root) new Arrival(root);
