// Whether the bike moves, and the lock on what must not be touched then. Law: while riding one touch does nothing but
// acknowledge and sound; anything else wants a second touch, so that a knee or a glove opens no list.

const STILL_MS = 4000;
const MOVED_M = 0.3;
const PULLING_A = 8; // without a distance sensor a pull is taken for a ride
const ASK_MS = 4000;

export class Motion {
  constructor() {
    this.at = null;
    this.until = 0;
  }

  /** Takes a live state; whether the bike moves or did a moment ago. */
  moves(state, now = performance.now()) {
    const way = state.distance_m;
    if (way === null) {
      if (state.current_a !== null && state.current_a > PULLING_A) this.until = now + STILL_MS;
    } else {
      if (this.at !== null && Math.abs(way - this.at) > MOVED_M) this.until = now + STILL_MS;
      if (this.at === null || Math.abs(way - this.at) > MOVED_M) this.at = way;
    }
    return now < this.until;
  }
}

/** Makes `control` ask once while `moving()`; the second touch within four seconds goes through. */
export function guardWhileMoving(control, moving) {
  const ask = "Riding: again?";
  let asked = -Infinity;
  control.addEventListener("click", (event) => {
    if (!moving() || performance.now() - asked < ASK_MS) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    asked = performance.now();
    if (control.textContent === ask) return;
    const words = control.textContent;
    control.textContent = ask;
    setTimeout(() => { if (control.textContent === ask) control.textContent = words; }, ASK_MS); // day or night has new words
  }, { capture: true });
}
