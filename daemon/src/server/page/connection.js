// The live connection: what the program says, how old it is, and the page's word that it is drawn.
//
// A value's age is bounded without comparing clocks: the program repeats the page's own time of the last word it heard, so
// what it then sent is younger than that word's journey there and back, and the age that it states itself.

/** Older than this, a value is no signal, ms. The program's own limit is 300. */
export const STALE_MS = 250;
const RETRY_MS = [100, 250, 500, 1000];
const BINS = 3000;

export class Connection {
  constructor(onState, as = "") {
    this.onState = onState;
    this.as = as && `?as=${as}`;
    this.state = null;
    this.live = null;
    this.bins = [];
    this.first = 0;
    this.open = false;
    this.tries = 0;
    this.fresh = false;
    this.drawn = 0;
    this.connect();
  }

  connect() {
    const scheme = location.protocol === "https:" ? "wss:" : "ws:";
    const socket = new WebSocket(`${scheme}//${location.host}/api/live${this.as}`);
    this.socket = socket;
    socket.onopen = () => {
      [this.bins, this.first, this.tries, this.open] = [[], 0, 0, true];
      this.drawn = 0;
    };
    socket.onmessage = (event) => this.hear(JSON.parse(event.data));
    socket.onclose = () => {
      this.open = false;
      const wait = RETRY_MS[Math.min(this.tries, RETRY_MS.length - 1)];
      this.tries += 1;
      setTimeout(() => this.connect(), wait);
      this.onState(this.state);
    };
  }

  hear(message) {
    const end = this.first + this.bins.length;
    if (message.first > end || message.first < this.first) [this.bins, this.first] = [[], message.first];
    this.bins.length = message.first - this.first;
    for (const bin of message.bins) this.bins.push(bin);
    if (this.bins.length > BINS) {
      const gone = this.bins.length - BINS;
      this.bins.splice(0, gone);
      this.first += gone;
    }
    this.live = { ...message, received: performance.now() };
    this.fresh = true;
    if (message.state) {
      this.state = message.state;
      this.onState(this.state);
    }
  }

  /** At most this old is the newest value, ms. */
  age() {
    if (!this.open || !this.live || this.live.age_ms === null) return Infinity;
    const since = this.live.heard ?? this.live.received;
    return this.live.age_ms + performance.now() - since;
  }

  /** The page has drawn what it knows. */
  word(warns) {
    if (!this.fresh || !this.open || this.socket.readyState !== WebSocket.OPEN) return;
    this.fresh = false;
    this.socket.send(JSON.stringify({ now: performance.now(), drawn: this.live.number, warns }));
  }
}
