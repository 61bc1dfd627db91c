// Listens to the bike. Law: silence is noticed here, by this phone's own clocks, whatever the bike last said.

import { STALE_S } from "./words.js";

const SILENT_MS = 4000; // the bike speaks at least once a second; past this the line is dead and is opened anew
const TICK_MS = 250;
const CLOSED = 2;

export class Feed {
  /** `show(state, age, silent)` is called at each state and four times a second; state is null before the first. */
  constructor(show) {
    this.show = show;
    this.state = null;
    this.heard = null;
    this.opened = 0;
    this.source = null;
    this.listeners = new Set();
  }

  /** Calls `listener(state, age, silent)` as often as `show`, once there is a state; what comes back ends that. */
  watch(listener) {
    this.listeners.add(listener);
    this.tell();
    return () => this.listeners.delete(listener);
  }

  /** Goes on with the stream that was opened before the modules were there. */
  start() {
    const early = window.sagwiseEarly;
    this.opened = performance.now();
    this.source = early.source;
    this.source.onmessage = (event) => this.hear(JSON.parse(event.data));
    if (early.data !== null) this.hear(JSON.parse(early.data), early.heard);
    setInterval(() => this.tick(), TICK_MS);
    document.addEventListener("visibilitychange", () => {
      if (!document.hidden) this.tick();
    });
  }

  open() {
    this.source?.close();
    this.opened = performance.now();
    this.source = new EventSource("/api/v1/live/stream");
    this.source.onmessage = (event) => this.hear(JSON.parse(event.data));
  }

  hear(state, heard = { steady: performance.now(), wall: Date.now() }) {
    this.state = state;
    this.heard = heard;
    this.tell();
  }

  /** Milliseconds since the bike was heard. The steady clock may stop while the phone sleeps, the wall clock may be
      set back: the longer of the two is the cautious one. */
  quietMs() {
    if (this.heard === null) return Infinity;
    return Math.max(performance.now() - this.heard.steady, Date.now() - this.heard.wall, 0);
  }

  tell() {
    const quiet = this.quietMs();
    const age = this.state === null || this.state.age_s === null ? null : this.state.age_s + quiet / 1000;
    const silent = quiet > STALE_S * 1000;
    this.show(this.state, age, silent);
    if (this.state !== null) for (const listener of this.listeners) listener(this.state, age, silent);
  }

  tick() {
    const waited = performance.now() - this.opened;
    if (this.quietMs() > SILENT_MS && waited > SILENT_MS) this.reopen();
    else if (this.source.readyState === CLOSED && waited > 1000) this.reopen();
    this.tell();
  }

  /** A closed stream may mean that the session is over; only a plain request can tell. */
  reopen() {
    this.open();
    fetch("/api/v1/live").then((answer) => {
      if (answer.status === 401) location.reload();
    }, () => {});
  }
}
