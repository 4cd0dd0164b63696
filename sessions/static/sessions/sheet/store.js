// What must not be lost, on this device: operations on their way, notes, and which device this is. Every record names
// its person and its analysis, and every operation and note has a key of its own: two tabs cannot overwrite each other's.
const NAME = "sheet";
const LONGEST_OPENING = 3000;
const KEPT = { ops: "op.", notes: "note." };

function open() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open(NAME, 1);
    const late = setTimeout(() => reject(new Error("too slow")), LONGEST_OPENING);
    request.onupgradeneeded = () => {
      for (const kind of Object.keys(KEPT)) {
        const rows = request.result.createObjectStore(kind, { keyPath: "op" });
        rows.createIndex("of", ["user", "analysis"]);
        rows.createIndex("user", "user");
      }
      request.result.createObjectStore("meta", { keyPath: ["user", "analysis"] }).createIndex("user", "user");
    };
    request.onerror = () => {
      clearTimeout(late);
      reject(request.error);
    };
    request.onsuccess = () => {
      clearTimeout(late);
      // Another tab that brings a newer form of the store must not wait for this one.
      request.result.onversionchange = () => request.result.close();
      resolve(request.result);
    };
  });
}

function answered(request) {
  return new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

export class Store {
  // Where the browser forbids a store, memory stands in: the queue keeps what it has, and the page says so.
  static async open(user, analysis) {
    let db = null;
    try {
      db = await open();
    } catch {
      // Said by the page through `kept`.
    }
    return new Store(user, analysis, db);
  }

  constructor(user, analysis, db) {
    Object.assign(this, { user, analysis, db, writes: [], running: false });
    this.prefix = `sheet.${user}.${analysis}.`;
    this.kept = db !== null;
    this.unsure = new Map();
    this.lost = () => {};
    if (db) db.onclose = () => this.failed();
  }

  failed() {
    this.db = null;
    this.kept = false;
    this.lost();
  }

  // Everything of this person and analysis, with what an older version or a page that was closed in haste left.
  async read() {
    const left = this.leftBehind();
    if (!this.db) return { ...left, ...left.meta };
    try {
      const of = IDBKeyRange.only([this.user, this.analysis]);
      const reading = this.db.transaction(["ops", "notes", "meta"]);
      const all = (kind) => answered(reading.objectStore(kind).index("of").getAll(of));
      const one = answered(reading.objectStore("meta").get([this.user, this.analysis]));
      const [ops, notes, meta] = await Promise.all([all("ops"), all("notes"), one]);
      const known = new Set([...ops, ...notes].map((row) => row.op));
      const fresh = (rows) => rows.filter((row) => !known.has(row.op));
      const device = meta?.device ?? left.meta.device;
      const last = Math.max(meta?.last ?? 0, left.meta.last ?? 0);
      const writes = [
        ...fresh(left.ops).map((row) => this.put("ops", row)),
        ...fresh(left.notes).map((row) => this.put("notes", row)),
      ];
      if (left.meta.device && !meta) writes.push(this.keepDevice(device, last));
      await Promise.all(writes);
      if (this.kept) this.sweep();
      return { ops: [...ops, ...fresh(left.ops)], notes: [...notes, ...fresh(left.notes)], device, last };
    } catch {
      this.failed();
      return { ...left, ...left.meta };
    }
  }

  put(kind, record) {
    const row = { ...record, user: this.user, analysis: this.analysis };
    if (kind === "ops") this.unsure.set(row.op, row);
    return this.write((kinds) => kinds(kind).put(row), true).then(() => {
      if (kind === "ops" && this.kept && this.unsure.get(row.op) === row) this.unsure.delete(row.op);
    });
  }

  keepDevice(device, last) {
    const row = { user: this.user, analysis: this.analysis, device, last };
    return this.write((kinds) => kinds("meta").put(row), true);
  }

  remove(kind, key) {
    this.unsure.delete(key);
    this.drop(KEPT[kind] + key);
    return this.write((kinds) => kinds(kind).delete(key), false);
  }

  // Resolves once it is on the disk, or once that has failed: nothing waits for a store that cannot be had.
  write(act, strict) {
    if (!this.db) return Promise.resolve();
    return new Promise((done) => {
      this.writes.push({ act, strict, done });
      if (!this.running) queueMicrotask(() => this.flush());
    });
  }

  // What was pressed while the last transaction ran goes into the next one together.
  flush() {
    if (this.running || !this.writes.length) return;
    const writes = this.writes;
    this.writes = [];
    this.running = true;
    const over = () => {
      this.running = false;
      for (const { done } of writes) done();
      this.flush();
    };
    const failed = () => {
      this.failed();
      for (const { done } of this.writes) done();
      this.writes = [];
      over();
    };
    try {
      const durability = writes.some((write) => write.strict) ? "strict" : "relaxed";
      const writing = this.db.transaction(["ops", "notes", "meta"], "readwrite", { durability });
      writing.oncomplete = over;
      writing.onabort = failed;
      for (const { act } of writes) act((kind) => writing.objectStore(kind));
      // Said aloud, so that a page that is closed now does not take its last marks with it.
      writing.commit?.();
    } catch {
      failed();
    }
  }

  // A page that is closed cannot wait: what is not surely in the store goes where writing is immediate.
  spill() {
    for (const row of this.unsure.values()) {
      try {
        localStorage.setItem(`${this.prefix}op.${row.op}`, JSON.stringify(row));
      } catch {
        return;
      }
    }
  }

  leftBehind() {
    const found = { ops: [], notes: [], meta: {} };
    try {
      for (const [kind, name] of Object.entries(KEPT)) {
        for (const key of this.keys(this.prefix + name))
          found[kind].push(JSON.parse(localStorage.getItem(key)));
      }
      found.meta = writtenBefore(this.prefix);
    } catch {
      // What cannot be read stays where it is.
    }
    return found;
  }

  keys(beginning) {
    return Object.keys(localStorage).filter((key) => key.startsWith(beginning));
  }

  sweep() {
    try {
      for (const key of this.keys(this.prefix)) localStorage.removeItem(key);
    } catch {
      // Then it is found again, and the server knows it by its name.
    }
  }

  drop(name) {
    try {
      localStorage.removeItem(this.prefix + name);
    } catch {
      // As above.
    }
  }

  // At log-out: how much of this person is only on this device, in whichever analysis.
  async unsent() {
    if (!this.db) return this.unsure.size;
    // What was answered a moment ago may still be on its way out.
    await this.write(() => undefined, false);
    if (!this.db) return this.unsure.size;
    const rows = this.db.transaction("ops").objectStore("ops").index("user");
    return answered(rows.count(IDBKeyRange.only(this.user)));
  }

  async forget() {
    try {
      for (const key of this.keys(`sheet.${this.user}.`)) localStorage.removeItem(key);
      if (!this.db) return;
      const of = IDBKeyRange.only(this.user);
      const reading = this.db.transaction(["ops", "notes", "meta"]);
      for (const kind of ["ops", "notes", "meta"]) {
        const keys = await answered(reading.objectStore(kind).index("user").getAllKeys(of));
        for (const key of keys) this.write((kinds) => kinds(kind).delete(key), true);
      }
      // Deleted in the order of asking: once this is over, so is all of it.
      await this.write(() => undefined, true);
    } catch {
      // Nothing of it is sent by anybody else: every record names its person.
    }
  }
}

function writtenBefore(prefix) {
  try {
    const read = (name) => JSON.parse(localStorage.getItem(prefix + name)) ?? undefined;
    return { device: read("device"), last: read("last") };
  } catch {
    return {};
  }
}

// Which device this is and what number it has come to, for pages that only hand an analysis in.
export async function written(user, analysis) {
  const before = writtenBefore(`sheet.${user}.${analysis}.`);
  try {
    const db = await open();
    const meta = await answered(db.transaction("meta").objectStore("meta").get([user, analysis]));
    db.close();
    return meta ?? before;
  } catch {
    return before;
  }
}
