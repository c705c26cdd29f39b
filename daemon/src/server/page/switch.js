// The foot switch: a pedal that types Enter or a space. Short: press. Twice: pain. Long: the last trial again.
// During a pull the first press stops at once; nothing is waited for.

const TWICE_MS = 450;
const LONG_MS = 1000;

export class Switch {
  /** `loaded()` says whether a pull is on; `act(line)` tells the program. */
  constructor(loaded, act) {
    this.loaded = loaded;
    this.act = act;
    this.since = null;
    this.waiting = null;
    this.stopped = 0;
  }

  down() {
    if (this.since !== null) return;
    this.since = performance.now();
    if (!this.loaded()) return;
    const again = this.since - this.stopped < TWICE_MS;
    this.stopped = again ? 0 : this.since;
    this.since = Infinity;
    this.act(again ? "p" : "");
  }

  up() {
    const since = this.since;
    this.since = null;
    if (since === null || since === Infinity) return;
    const now = performance.now();
    if (now - since >= LONG_MS) return this.act("r");
    // The second press of a stop: it was pain.
    if (now - this.stopped < TWICE_MS + LONG_MS && this.stopped > 0) {
      this.stopped = 0;
      return this.act("p");
    }
    if (this.waiting !== null) {
      clearTimeout(this.waiting);
      this.waiting = null;
      return this.act("p");
    }
    this.waiting = setTimeout(() => {
      this.waiting = null;
      this.act("");
    }, TWICE_MS);
  }
}
