// One film on its way in pieces, by the open protocol tus 1.0: what the server has says where to go on, so that a cut
// line, a pause or a reload costs at most a part of a piece.
const FIRST_WAIT_S = 1;
const LONGEST_WAIT_S = 30;
// A line on which nothing moves for so long is given up and asked again.
const STILL_MS = 60000;
const PASSING = new Set([0, 408, 423, 425, 429, 500, 502, 503, 504]);

export class Refused extends Error {
  constructor(status, sentence = "") {
    super(sentence || String(status));
    this.status = status;
    this.sentence = sentence;
  }
}

function encode(text) {
  return btoa(String.fromCharCode(...new TextEncoder().encode(text)));
}

export class Tus {
  // `told` hears: progress(bytes), waiting(kind, seconds), moving().
  constructor({ file, where, piece, token, told }) {
    Object.assign(this, { file, where, piece, token, told });
    this.url = null;
    this.offset = 0;
    this.stopped = true;
    this.tries = 0;
  }

  async begin(said) {
    const pairs = Object.entries(said).filter(([, value]) => value !== "" && value !== null);
    const metadata = pairs.map(([name, value]) => `${name} ${encode(String(value))}`).join(",");
    const headers = { "Upload-Length": String(this.file.size), "Upload-Metadata": metadata };
    const answer = await this.ask("POST", this.where, { headers });
    if (answer.status !== 201) throw new Refused(answer.status, answer.sentence);
    this.url = answer.header("Location");
    this.offset = 0;
  }

  // Until the last byte has come; false when it was stopped before. Throws what nobody can wait away.
  async run() {
    this.stopped = false;
    let asked = this.offset > 0;
    while (!this.stopped && this.offset < this.file.size) {
      const answer = asked ? await this.send() : await this.look();
      asked = answer.status === 204 || answer.status === 200;
      if (this.stopped) break;
      if (asked) this.moved(answer);
      else if (answer.status !== 409 || this.tries > 5) await this.wait(answer);
      else this.tries += 1;
    }
    return this.offset >= this.file.size;
  }

  stop() {
    this.stopped = true;
    this.request?.abort();
    this.wake?.();
  }

  // What a pause leaves unsure is asked for before the next piece.
  forget() {
    this.offset = 0;
    this.tries = 0;
  }

  giveUp() {
    return this.url ? this.ask("DELETE", this.url) : Promise.resolve(null);
  }

  look() {
    return this.ask("HEAD", this.url);
  }

  send() {
    return this.ask("PATCH", this.url, {
      headers: { "Upload-Offset": String(this.offset), "Content-Type": "application/offset+octet-stream" },
      body: this.file.slice(this.offset, this.offset + this.piece),
    });
  }

  moved(answer) {
    this.offset = Number(answer.header("Upload-Offset"));
    this.tries = 0;
    this.told.moving();
    this.told.progress(this.offset);
  }

  async wait(answer) {
    if (!PASSING.has(answer.status)) throw new Refused(answer.status, answer.sentence);
    // A file that was moved or changed fails like a line does, but no waiting mends it.
    await this.file.slice(this.offset, this.offset + 1).arrayBuffer();
    const seconds = Math.min(LONGEST_WAIT_S, FIRST_WAIT_S * 2 ** this.tries);
    this.tries += 1;
    this.told.waiting(answer.status === 0 ? "line" : "busy", seconds);
    await new Promise((resolve) => {
      const timer = setTimeout(resolve, seconds * 1000);
      const go = () => {
        clearTimeout(timer);
        removeEventListener("online", go);
        resolve();
      };
      this.wake = go;
      addEventListener("online", go);
    });
  }

  // Status 0 stands for a line that is gone; a request of the older kind, since it alone tells how far a body is.
  ask(method, url, { headers = {}, body = null } = {}) {
    return new Promise((resolve) => {
      const request = new XMLHttpRequest();
      this.request = request;
      let still = null;
      const watch = () => {
        clearTimeout(still);
        still = setTimeout(() => request.abort(), STILL_MS);
      };
      const end = (status) => {
        clearTimeout(still);
        if (this.request === request) this.request = null;
        resolve({ status, sentence: sentenceOf(request), header: (name) => request.getResponseHeader(name) });
      };
      request.open(method, url);
      const all = { "Tus-Resumable": "1.0.0", "X-CSRFToken": this.token, Accept: "application/json", ...headers };
      for (const [name, value] of Object.entries(all)) request.setRequestHeader(name, value);
      if (body) {
        const start = this.offset;
        request.upload.addEventListener("progress", (event) => {
          watch();
          this.told.progress(start + event.loaded);
        });
      }
      request.addEventListener("load", () => end(request.status));
      request.addEventListener("error", () => end(0));
      request.addEventListener("abort", () => end(0));
      watch();
      request.send(body);
    });
  }
}

function sentenceOf(request) {
  try {
    return JSON.parse(request.responseText).detail ?? "";
  } catch {
    return "";
  }
}
