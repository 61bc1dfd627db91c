// Fingers on a plot. Law: one finger reads, or moves what was zoomed; two zoom; up and down still scrolls the page.

const MOVED_PX = 6;

export class Gestures {
  /** does: cursor(left px), pan(share of the width), zoom(factor, share of the width), zoomed(). */
  constructor(over, does) {
    this.over = over;
    this.does = does;
    this.fingers = new Map();
    this.panning = false;
    over.addEventListener("pointerdown", (event) => this.down(event));
    over.addEventListener("pointermove", (event) => this.move(event));
    for (const name of ["pointerup", "pointercancel", "pointerleave"]) {
      over.addEventListener(name, (event) => this.up(event));
    }
    over.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
  }

  left(event) {
    return event.clientX - this.over.getBoundingClientRect().left;
  }

  down(event) {
    if (event.pointerType === "mouse") return; // uPlot follows a mouse by itself
    this.fingers.set(event.pointerId, this.left(event));
    this.panning = false;
    if (this.fingers.size === 1) this.does.cursor(this.left(event));
  }

  move(event) {
    if (!this.fingers.has(event.pointerId)) return;
    const now = this.left(event);
    if (this.fingers.size === 2) this.pinch(event.pointerId, now);
    else if (this.does.zoomed()) this.drag(event.pointerId, now);
    else this.does.cursor(now);
  }

  drag(id, now) {
    const before = this.fingers.get(id);
    if (!this.panning && Math.abs(now - before) < MOVED_PX) return;
    this.panning = true;
    this.fingers.set(id, now);
    this.does.pan((now - before) / this.over.clientWidth);
  }

  pinch(id, now) {
    const [other] = [...this.fingers].filter(([key]) => key !== id).map(([, at]) => at);
    const before = Math.abs(this.fingers.get(id) - other);
    const after = Math.abs(now - other);
    this.fingers.set(id, now);
    if (before < 12 || after < 12) return;
    this.does.zoom(after / before, (now + other) / 2 / this.over.clientWidth);
  }

  up(event) {
    this.fingers.delete(event.pointerId);
  }

  /** A trackpad's pinch comes as a wheel with ctrl; a plain wheel scrolls the page. */
  wheel(event) {
    if (!event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    this.does.zoom(Math.exp(-event.deltaY / 200), this.left(event) / this.over.clientWidth);
  }
}
