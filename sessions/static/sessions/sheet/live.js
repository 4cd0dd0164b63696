// What other devices write: asked for every few seconds while the sheet is looked at, and put in without moving what
// is read or typed just now.
const SOON = 3000;
const RARE = 15000;
const LONG_AWAY = 5 * 60 * 1000;

export class Live {
  // `ask` fetches and puts in what is new; it throws when the server cannot be reached.
  constructor(ask) {
    Object.assign(this, { ask, timer: null, asking: false, misses: 0, touched: Date.now() });
    const here = () => {
      const away = this.pause > SOON && !this.misses;
      this.touched = Date.now();
      if (away) this.now();
    };
    for (const event of ["keydown", "pointerdown"]) document.addEventListener(event, here, true);
    for (const event of ["online", "pageshow"]) window.addEventListener(event, () => this.now());
    document.addEventListener("visibilitychange", () => this.now());
    this.later();
  }

  get pause() {
    const usual = Date.now() - this.touched > LONG_AWAY ? RARE : SOON;
    return Math.min(RARE, usual * 2 ** this.misses);
  }

  later() {
    clearTimeout(this.timer);
    if (!document.hidden) this.timer = setTimeout(() => this.now(), this.pause);
  }

  async now() {
    clearTimeout(this.timer);
    if (document.hidden || this.asking) return;
    this.asking = true;
    try {
      await this.ask();
      this.misses = 0;
    } catch {
      this.misses = Math.min(this.misses + 1, 3);
    } finally {
      this.asking = false;
      this.later();
    }
  }
}

function anchorIn(root) {
  const focused = document.activeElement;
  if (focused && focused !== root && root.contains(focused)) return focused;
  const seen = (node) => {
    const { top, bottom } = node.getBoundingClientRect();
    return bottom > 0 && top < window.innerHeight;
  };
  const open = root.querySelector("tr[aria-current]");
  return open && seen(open) ? open : [...root.querySelectorAll("tr[data-rally]")].find(seen);
}

// Draws, and leaves whatever has the focus, or else the row that is read, where it stands on the screen.
export function steadily(root, draw) {
  const anchor = anchorIn(root);
  const name = anchor?.dataset.focus;
  const before = anchor?.getBoundingClientRect().top;
  draw();
  const there = anchor?.isConnected
    ? anchor
    : name && root.querySelector(`[data-focus="${CSS.escape(name)}"]`);
  if (!there) return;
  const moved = there.getBoundingClientRect().top - before;
  if (moved) window.scrollBy({ top: moved, behavior: "instant" });
}
