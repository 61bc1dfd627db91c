// The page's own voice, after one tap. Law: the rhythm tells the priority, as the wired buzzer's does; the page speaks
// up when it hears nothing any more, since then no other alarm of it can come.

import { stayAwake } from "./awake.js";

// Pulses as [start, length] in seconds, one pitch each, the whole repeated after `every`. The rhythms are the board's.
// 500 to 2500 Hz, where an ear in a helmet hears best; square waves have overtones that wind does not cover.
export const PATTERNS = {
  high: { every: 2, pulses: [[0, 0.15, 1760], [0.25, 0.15, 1760], [0.5, 0.15, 1760], [1, 0.15, 2093], [1.25, 0.15, 2093]] },
  medium: { every: 4, pulses: [[0, 0.2, 1175], [0.4, 0.2, 1175], [0.8, 0.2, 1175]] },
  low: { every: 5, pulses: [[0, 0.15, 784]] },
  lost: { every: 6, pulses: [[0, 0.4, 1175], [0.5, 0.7, 587]] },
};
const OFF = "Tap Sound to hear this page too.";
const LOUD = 0.5;
const ARMED = [[0, 0.08, 988], [0.12, 0.12, 1319]];

/** Milliseconds on and off, as `navigator.vibrate` takes them. */
export function shakes(pulses) {
  const times = [];
  pulses.forEach(([start, length], index) => {
    times.push(Math.round(length * 1000));
    if (index + 1 < pulses.length) times.push(Math.round((pulses[index + 1][0] - start - length) * 1000));
  });
  return times;
}

export class Sound {
  constructor(button, awake) {
    this.button = button;
    this.awake = awake;
    this.context = null;
    this.on = false;
    this.kind = null;
    this.timer = null;
    this.seen = false;
    this.gain = null;
    button.addEventListener("click", () => (this.on ? this.disarm() : this.arm()));
    awake.textContent = OFF;
  }

  /** What is to be heard now: a priority, "lost" or null. Called often; the rhythm goes on while it stays the same. */
  hear(kind) {
    if (kind !== "lost") this.seen = false;
    const wanted = kind === "lost" && this.seen ? null : kind;
    if (wanted === this.kind) return;
    this.kind = wanted;
    this.again();
  }

  get warnsOfSilence() {
    return this.on && this.kind === "lost";
  }

  silenceSeen() {
    this.seen = true;
    this.hear("lost");
  }

  /** Browsers give sound only to a page that was touched: this runs inside the tap. */
  async arm() {
    const Context = window.AudioContext ?? window.webkitAudioContext;
    if (Context === undefined) {
      this.awake.textContent = "This phone gives a page no sound.";
      return;
    }
    this.on = true;
    if (this.context === null) {
      this.context = new Context();
      this.context.onstatechange = () => this.show();
    }
    this.show();
    if (this.kind === null) this.play(ARMED);
    else this.again();
    this.awake.textContent = await stayAwake(this.context);
  }

  disarm() {
    clearTimeout(this.timer);
    navigator.vibrate?.(0);
    this.gain?.disconnect();
    this.on = false;
    this.show();
    this.awake.textContent = OFF;
  }

  show() {
    this.button.setAttribute("aria-pressed", String(this.on));
    const held = this.on && this.context.state === "interrupted"; // a call took the phone's sound
    this.button.querySelector(".set").textContent = held ? "held" : this.on ? "on" : "off";
  }

  again() {
    clearTimeout(this.timer);
    if (!this.on) return;
    this.gain?.disconnect(); // what was planned of another rhythm is not played
    this.gain = null;
    const pattern = PATTERNS[this.kind];
    if (pattern === undefined) {
      navigator.vibrate?.(0);
      return;
    }
    this.play(pattern.pulses);
    navigator.vibrate?.(shakes(pattern.pulses));
    this.timer = setTimeout(() => this.again(), pattern.every * 1000);
  }

  play(pulses) {
    const { context } = this;
    if (context.state !== "running") context.resume();
    this.gain = context.createGain();
    this.gain.gain.value = LOUD;
    this.gain.connect(context.destination);
    for (const [start, length, pitch] of pulses) {
      const voice = context.createOscillator();
      voice.type = "square";
      voice.frequency.value = pitch;
      voice.connect(this.gain);
      voice.start(context.currentTime + 0.02 + start);
      voice.stop(context.currentTime + 0.02 + start + length);
    }
  }
}
