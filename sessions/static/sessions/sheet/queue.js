// Marks on their way: written to the device first, sent in order, kept until the server has answered.
// The store is that of one person and one analysis; each operation has a key of its own, so that two tabs
// cannot overwrite each other's.
const BATCH = 50;
const LONGEST_WAIT = 15000;

export class Queue {
  constructor({ user, analysis, url, token, nextSeq }) {
    this.prefix = `sheet.${user}.${analysis}.`;
    this.everybody = `sheet.${user}.`;
    Object.assign(this, { url, token, listeners: [], wait: 0, timer: null, sending: null, trouble: null });
    this.kept = true;
    this.memory = new Map();
    this.device = this.read("device") ?? crypto.randomUUID();
    this.write("device", this.device);
    this.items = this.stored("op.").sort((a, b) => a.seq - b.seq);
    this.notes = this.stored("note.").sort((a, b) => a.seq - b.seq);
    const first = (nextSeq[this.device] ?? 1) - 1;
    this.last = Math.max(first, this.read("last") ?? 0, ...this.items.map((item) => item.seq));
    this.answers = 0;
    this.single = false;
    window.addEventListener("online", () => {
      this.wait = 0;
      this.now();
    });
  }

  // The store: memory stands in where the browser forbids one, and the page says so.

  read(name) {
    try {
      const text = localStorage.getItem(this.prefix + name);
      return text === null ? this.memory.get(name) : JSON.parse(text);
    } catch {
      return this.memory.get(name);
    }
  }

  write(name, value) {
    this.memory.set(name, value);
    try {
      localStorage.setItem(this.prefix + name, JSON.stringify(value));
    } catch {
      this.kept = false;
    }
  }

  remove(name) {
    this.memory.delete(name);
    try {
      localStorage.removeItem(this.prefix + name);
    } catch {
      this.kept = false;
    }
  }

  stored(kind) {
    const found = [];
    try {
      for (let index = 0; index < localStorage.length; index += 1) {
        const key = localStorage.key(index);
        if (key.startsWith(this.prefix + kind)) found.push(JSON.parse(localStorage.getItem(key)));
      }
    } catch {
      this.kept = false;
    }
    return found;
  }

  // At log-out: nothing of this person stays on the device, once everything has been sent.
  forget() {
    const mine = Object.keys(localStorage).filter((key) => key.startsWith(this.everybody));
    if (mine.some((key) => /\.(op|note)\./.test(key))) return false;
    for (const key of mine) localStorage.removeItem(key);
    return true;
  }

  // What the page asks and does

  on(listener) {
    this.listeners.push(listener);
  }

  tell(event, detail) {
    for (const listener of this.listeners) listener(event, detail);
  }

  get waiting() {
    return this.items.length;
  }

  push({ kind, target, body = {}, row, base, local = null }) {
    const before = this.items.findLast((item) => item.row === row);
    this.last += 1;
    const op = {
      op: crypto.randomUUID(),
      device: this.device,
      seq: this.last,
      kind,
      target,
      body,
      row,
      local,
      // The revision of a row that is itself on its way is only known once that has been answered.
      base_rev: before ? null : base,
      after: before?.op ?? null,
    };
    this.write(`op.${op.op}`, op);
    this.write("last", this.last);
    this.items.push(op);
    this.tell("change");
    // While the server cannot be reached the next try has its time already.
    if (!this.trouble) this.now();
    return op;
  }

  dismiss(note) {
    this.notes = this.notes.filter((one) => one !== note);
    this.remove(`note.${note.op}`);
    this.tell("change");
  }

  now() {
    if (this.trouble?.final) return;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.run(), 0);
  }

  // Resolves with true once everything has been answered, with false when that does not happen in time.
  async drain(milliseconds = 5000) {
    const end = Date.now() + milliseconds;
    this.wait = 0;
    this.now();
    while (this.waiting && Date.now() < end && !this.trouble?.final) {
      await new Promise((resolve) => setTimeout(resolve, 100));
    }
    return this.waiting === 0;
  }

  // Sending

  batch() {
    const rows = new Set();
    const batch = [];
    for (const item of this.items) {
      if (item.after || rows.has(item.row) || batch.length === (this.single ? 1 : BATCH)) break;
      rows.add(item.row);
      batch.push(item);
    }
    return batch;
  }

  async run() {
    if (this.sending || !this.waiting || this.trouble?.final) return;
    this.sending = this.batch();
    try {
      await this.send(this.sending);
    } catch {
      this.failed({ kind: "offline" });
    } finally {
      this.sending = null;
    }
    this.tell("change");
    clearTimeout(this.timer);
    if (this.waiting && !this.trouble?.final) this.timer = setTimeout(() => this.run(), this.wait);
  }

  async send(batch) {
    const abort = new AbortController();
    const timer = setTimeout(() => abort.abort(), 20000);
    const ops = batch.map(({ op, device, seq, kind, target, base_rev, body }) => ({
      op,
      device,
      seq,
      kind,
      target,
      base_rev,
      body,
    }));
    let answer;
    let data;
    try {
      answer = await fetch(this.url, {
        method: "POST",
        headers: {
          "Content-Type": "application/json",
          Accept: "application/json",
          "X-CSRFToken": this.token(),
        },
        body: JSON.stringify({ ops }),
        signal: abort.signal,
      });
      data = await answer.json().catch(() => ({}));
    } finally {
      clearTimeout(timer);
    }
    if (answer.ok && data.results) this.answered(batch, data.results);
    else this.notTaken(answer, data, batch);
  }

  notTaken(answer, data, batch) {
    if (answer.status === 409) {
      this.answered(batch, data.results ?? []);
      this.failed({ kind: "closed", message: data.message ?? "", final: true });
    } else if (answer.status === 400 && batch.length > 1) {
      // One of them cannot be read: send them one by one, so that the others are not held up by it.
      this.single = true;
      this.wait = 0;
    } else if (answer.status === 400) {
      this.note(batch[0], { status: "refused", field: "", message: JSON.stringify(data).slice(0, 300) });
    } else if (answer.status === 401) this.failed({ kind: "login" });
    else if (answer.status === 403 || answer.status === 404) {
      this.failed({ kind: "forbidden", message: data.detail ?? "" });
    } else this.failed({ kind: "server" });
  }

  failed(trouble) {
    this.trouble = trouble;
    this.wait = Math.min(LONGEST_WAIT, Math.max(1000, this.wait * 2));
  }

  answered(batch, results) {
    this.trouble = null;
    this.wait = 0;
    const told = [];
    for (const answer of results) {
      const item = batch.find((one) => one.op === answer.op);
      if (!item) continue;
      const result = answer.status === "repeat" ? answer.result : answer;
      if (result.status === "waiting") this.renumber(result.next);
      else if (result.status === "refused" && result.field === "seq") this.renumber(result.next);
      else told.push(this.settle(item, result));
    }
    this.answers += told.length;
    if (told.length) this.tell("answers", told);
  }

  settle(item, result) {
    this.items = this.items.filter((one) => one !== item);
    this.remove(`op.${item.op}`);
    for (const later of this.items.filter((one) => one.after === item.op)) {
      // After a conflict the later ones rest on a value that she has not seen either: they keep the old revision,
      // and the server answers them in the same way.
      later.after = null;
      later.base_rev =
        later.kind === "undo" ? null : result.status === "applied" ? result.rev : item.base_rev;
      this.write(`op.${later.op}`, later);
    }
    if (result.status !== "applied") this.note(item, result);
    return { item, result };
  }

  note(item, result) {
    this.items = this.items.filter((one) => one !== item);
    this.remove(`op.${item.op}`);
    const same = JSON.stringify(result.mine) === JSON.stringify(result.theirs);
    if (result.status === "conflict" && same) return;
    // A newer value of hers for the same row stands in for the older one.
    for (const old of this.notes.filter((one) => one.row === item.row && one.result.status === "conflict")) {
      this.dismiss(old);
    }
    const note = { op: item.op, seq: item.seq, kind: item.kind, target: item.target, row: item.row, result };
    note.body = item.body;
    this.write(`note.${note.op}`, note);
    this.notes.push(note);
  }

  // Part of the store was lost, or another tab took the numbers: go on from the number that the server names.
  renumber(next) {
    this.items.forEach((item, index) => {
      item.seq = next + index;
      this.write(`op.${item.op}`, item);
    });
    this.last = next + this.items.length - 1;
    this.write("last", this.last);
  }
}
