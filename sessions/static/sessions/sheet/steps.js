// What can be taken back and done again, without end: kept on the device of its person, a hundred steps to a page,
// so that an act writes one page whatever came before it.
const PAGE = 100;

export class Steps {
  constructor(prefix) {
    this.prefix = prefix;
    this.rows = [];
    for (let page = 0; ; page += 1) {
      const rows = this.read(page);
      if (!rows?.length) break;
      this.rows.push(...rows);
      if (rows.length < PAGE) break;
    }
  }

  read(page) {
    try {
      return JSON.parse(localStorage.getItem(this.prefix + page));
    } catch {
      return null;
    }
  }

  get length() {
    return this.rows.length;
  }

  push(step) {
    this.rows.push(step);
    this.keep(this.rows.length - 1);
  }

  pop() {
    const step = this.rows.pop();
    if (step) this.keep(this.rows.length);
    return step;
  }

  clear() {
    const pages = Math.ceil(this.rows.length / PAGE);
    this.rows = [];
    for (let page = 0; page < pages; page += 1) this.write(page, []);
  }

  keep(index) {
    const page = Math.floor(index / PAGE);
    this.write(page, this.rows.slice(page * PAGE, (page + 1) * PAGE));
  }

  write(page, rows) {
    try {
      if (rows.length) localStorage.setItem(this.prefix + page, JSON.stringify(rows));
      else localStorage.removeItem(this.prefix + page);
    } catch {
      // Then undo reaches back to the last reload only.
    }
  }
}
