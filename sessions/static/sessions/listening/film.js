// The film: up to a moment and no further, from rally to rally, picture by picture. All times are the picture's.
const BEFORE = 0.8;
// Playing on, so much is seen before a serve and after a last hit.
const LEAD = 1.5;
const TAIL = 1;
// A gap that is hardly longer than what is seen of it anyway is played.
const WORTH_SKIPPING = 1;

export class Film {
  constructor(video, { picture, skips, changed, failed }) {
    this.video = video;
    this.picture = picture;
    this.skips = skips;
    this.changed = changed;
    this.skipping = true;
    this.until = null;
    this.loop = this.loop.bind(this);
    for (const event of ["play", "pause", "seeked", "timeupdate"]) video.addEventListener(event, () => this.tick());
    video.addEventListener("error", failed);
    video.querySelector("source")?.addEventListener("error", failed);
  }

  get now() {
    return this.video.currentTime;
  }

  get running() {
    return !this.video.paused && !this.video.ended;
  }

  seek(at) {
    const end = Number.isFinite(this.video.duration) ? this.video.duration : at;
    this.video.currentTime = Math.max(0, Math.min(at, end));
  }

  run(until = null) {
    this.until = until;
    this.video.play().catch(() => {
      // Where a browser does not let it play, it stands where it would have stopped.
      if (this.until !== null) this.stopAt(this.until);
    });
    requestAnimationFrame(this.loop);
  }

  hold() {
    this.until = null;
    this.video.pause();
  }

  toggle() {
    if (this.running) this.hold();
    else this.run();
  }

  // To just before a moment, and on to it: there the film stops by itself.
  upTo(at) {
    this.seek(at - BEFORE);
    this.run(at);
  }

  through(start, end) {
    this.seek(start - BEFORE);
    this.run(end);
  }

  stopAt(at) {
    this.hold();
    this.seek(at);
  }

  step(pictures) {
    this.hold();
    this.seek(this.now + pictures * this.picture);
  }

  jump(seconds) {
    this.until = null;
    this.seek(this.now + seconds);
  }

  half() {
    this.video.playbackRate = this.video.playbackRate === 1 ? 0.5 : 1;
    return this.video.playbackRate !== 1;
  }

  tick() {
    if (this.running) this.check();
    this.changed();
  }

  check() {
    if (this.until !== null) {
      if (this.now >= this.until) this.stopAt(this.until);
      return;
    }
    if (!this.skipping) return;
    const to = this.deadUntil();
    if (to !== null) this.seek(to);
  }

  // Between two rallies: where the next one is to be seen from; null where play goes on or nothing comes any more.
  deadUntil() {
    const rallies = this.skips();
    const at = this.now;
    const inside = rallies.some(({ start, end }) => start - LEAD <= at && at < end + TAIL);
    if (inside) return null;
    const next = rallies.find(({ start }) => start - LEAD > at);
    if (!next || next.start - LEAD - at < WORTH_SKIPPING) return null;
    return next.start - LEAD;
  }

  // More often than the browser tells, so that it stops at the hit and not a quarter of a second later.
  loop() {
    if (!this.running) return;
    this.check();
    if (this.running) requestAnimationFrame(this.loop);
  }
}
