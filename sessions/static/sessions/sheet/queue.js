// Marks on their way: written to the device first, sent in order, kept until the server has answered. The screen waits
// for neither.
const BATCH = 50;
const LONGEST_WAIT = 15000;
// What a browser still sends for a page that is being closed is bounded.
const LEAVING_BYTES = 60000;

export class Queue {
  constructor({ store, url, token, nextSeq }) {
    Object.assign(this, { store, url, token, listeners: [], wait: 0, timer: null, sending: null, trouble: null });
    this.prefix = store.prefix;
    this.nextSeq = nextSeq;
    this.items = [];
    this.notes = [];
    this.stored = new Map();
    this.last = 0;
    this.answers = 0;
    this.single = false;
    store.lost = () => this.tell("change");
    const again = () => {
      this.wait = 0;
      this.now();
    };
    window.addEventListener("online", again);
    window.addEventListener("focus", again);
    window.addEventListener("pageshow", again);
    window.addEventListener("pagehide", () => this.leave());
    document.addEventListener("visibilitychange", again);
  }

  get kept() {
    return this.store.kept;
  }

  // What this person left on this device, in the order in which it was pressed.
  async load() {
    const { ops, notes, device, last } = await this.store.read();
    const inOrder = (rows) => rows.sort((a, b) => a.seq - b.seq);
    this.items = inOrder(ops);
    this.notes = inOrder(notes);
    // The numbers of what waits are those of the device that gave them.
    this.device = device ?? this.items[0]?.device ?? crypto.randomUUID();
    const first = (this.nextSeq[this.device] ?? 1) - 1;
    this.last = Math.max(first, last ?? 0, ...this.items.map((item) => item.seq));
    if (!device) await this.store.keepDevice(this.device, this.last);
  }

  keep(item) {
    const stored = this.store.put("ops", item).then(() => {
      if (this.stored.get(item) === stored) this.stored.delete(item);
    });
    this.stored.set(item, stored);
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
    this.keep(op);
    this.store.keepDevice(this.device, this.last);
    this.items.push(op);
    this.tell("change");
    // While the server cannot be reached the next try has its time already.
    if (!this.trouble) this.now();
    return op;
  }

  dismiss(note) {
    this.notes = this.notes.filter((one) => one !== note);
    this.store.remove("notes", note.op);
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
      await Promise.all(this.sending.map((item) => this.stored.get(item)));
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

  request(batch) {
    const ops = batch.map(({ op, device, seq, kind, target, base_rev, body }) => ({
      op,
      device,
      seq,
      kind,
      target,
      base_rev,
      body,
    }));
    return {
      method: "POST",
      headers: {
        "Content-Type": "application/json",
        Accept: "application/json",
        "X-CSRFToken": this.token(),
        // Another tab may have logged somebody else in: the server then takes none of these under that name.
        "X-Written-By": String(this.store.user),
      },
      body: JSON.stringify({ ops }),
    };
  }

  async send(batch) {
    const abort = new AbortController();
    const timer = setTimeout(() => abort.abort(), 20000);
    let answer;
    let data;
    try {
      answer = await fetch(this.url, { ...this.request(batch), signal: abort.signal });
      // An answer that breaks off says nothing: the same is sent again, and the server knows it by its name.
      data = answer.ok ? await answer.json() : await answer.json().catch(() => ({}));
    } finally {
      clearTimeout(timer);
    }
    if (answer.ok && data.results) this.answered(batch, data.results);
    else await this.notTaken(answer, data, batch);
  }

  // The lid is closed or the page left: what is not surely stored is written at once, and one more try goes out.
  leave() {
    this.store.spill();
    if (!this.waiting || this.trouble) return;
    const request = this.request(this.sending ?? this.batch());
    if (request.body.length < LEAVING_BYTES)
      fetch(this.url, { ...request, keepalive: true }).catch(() => undefined);
  }

  async notTaken(answer, data, batch) {
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
    else if (data.code === "other_person") this.failed({ kind: "other_person" });
    else if (answer.status === 403 && /^CSRF/.test(data.detail ?? "")) {
      this.failed({ kind: "server" });
      // The page that was read before the login knows an older token; any page of ours brings the new one.
      await fetch(location.href, { method: "GET", headers: { Accept: "text/html" } });
    } else if (answer.status === 403 || answer.status === 404) {
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
    this.store.remove("ops", item.op);
    for (const later of this.items.filter((one) => one.after === item.op)) {
      // After a conflict the later ones rest on a value that she has not seen either: they keep the old revision,
      // and the server answers them in the same way.
      later.after = null;
      later.base_rev =
        later.kind === "undo" ? null : result.status === "applied" ? result.rev : item.base_rev;
      this.keep(later);
    }
    if (result.status !== "applied") this.note(item, result);
    return { item, result };
  }

  note(item, result) {
    this.items = this.items.filter((one) => one !== item);
    this.store.remove("ops", item.op);
    const same = JSON.stringify(result.mine) === JSON.stringify(result.theirs);
    if (result.status === "conflict" && same) return;
    // A newer value of hers for the same row stands in for the older one.
    for (const old of this.notes.filter((one) => one.row === item.row && one.result.status === "conflict")) {
      this.dismiss(old);
    }
    const note = { op: item.op, seq: item.seq, kind: item.kind, target: item.target, row: item.row, result };
    note.body = item.body;
    this.store.put("notes", note);
    this.notes.push(note);
  }

  // Part of the store was lost, or another tab took the numbers: go on from the number that the server names.
  renumber(next) {
    this.items.forEach((item, index) => {
      item.seq = next + index;
      this.keep(item);
    });
    this.last = next + this.items.length - 1;
    this.store.keepDevice(this.device, this.last);
  }
}
