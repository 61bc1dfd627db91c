// The glance view. Law: what must I do, how far can I go, why: in this order, and stale figures look stale.

import { post } from "./api.js";
import { Motion, guardWhileMoving } from "./motion.js";
import { reach } from "./reach.js";
import { Sound } from "./sound.js";
import { Strip } from "./strip.js";
import { LATE_S, STALE_S, ageWords, amount, lowest, meaning, ordered, stateLine, volts, weakLine } from "./words.js";

// One shape a level, so that nothing rests on colour: disc, diamond, triangle, octagon, and an open square for none.
const SHAPES = {
  normal: ["M24 4a20 20 0 1 0 .01 0z", "M14 25l7 7 13-15"],
  low: ["M24 2l22 22-22 22L2 24z", "M24 18v12"],
  medium: ["M24 3l22 40H2z", "M24 20v15"],
  high: ["M15 3h18l12 12v18L33 45H15L3 33V15z", "M14 24h20"],
  none: ["M7 7h34v34H7z", "M15 24h18"],
};
const SIGMA_SHOWN_V = 0.015; // a smaller uncertainty changes no decision
const ACKNOWLEDGE_MS = 4000; // a rider presses again; doing it twice harms nothing
const OPEN = ["unacknowledged", "acknowledged"];

function say(element, words) {
  if (element.textContent !== words) element.textContent = words;
}

export class LiveView {
  constructor(root) {
    const find = (selector) => root.querySelector(selector);
    this.state = find("#state");
    this.notice = find("#notice");
    this.figure = find("#figure");
    this.reach = find("#reach");
    this.facts = find(".facts");
    this.weak = find(".weak");
    this.button = find("#acknowledge");
    this.strip = new Strip(find("#strip"));
    this.button.addEventListener("click", () => this.acknowledge());
    this.failed = null;
    this.silent = false;
    this.sound = new Sound(find("#sound"), find(".awake"));
    this.motion = new Motion();
    this.moving = false;
    for (const control of root.querySelectorAll("[data-bench]")) guardWhileMoving(control, () => this.moving);
  }

  show(state, age, silent) {
    this.silent = silent && state !== null;
    this.sound.hear(this.silent ? "lost" : state?.sound ?? null);
    if (state === null) {
      if (silent) this.showLine({ level: "none", flash: false, title: "Asking the bike", detail: "no answer yet" });
      return;
    }
    const stale = silent || age === null || age > STALE_S;
    this.moving = this.motion.moves(state) && !stale;
    const line = stateLine(state, age, silent);
    this.showLine(line);
    this.showFigure(state, age, stale);
    this.showReach(state, stale);
    this.showFacts(state, stale);
    say(this.notice, state.notice ?? "");
    this.notice.hidden = state.notice === null;
    this.strip.draw(state, lowest(state).group, marked(state), stale);
    if (!this.button.dataset.busy) this.button.disabled = !(line.open || this.sound.warnsOfSilence);
  }

  showLine(line) {
    const [outer, inner] = SHAPES[line.level];
    const [first, second] = this.state.querySelectorAll("path");
    first.setAttribute("d", outer);
    second.setAttribute("d", inner);
    this.state.dataset.level = line.level;
    this.state.dataset.flash = line.flash ? "yes" : "no";
    say(this.state.querySelector(".title"), line.title);
    say(this.state.querySelector(".detail"), this.failed ?? line.detail);
  }

  showFigure(state, age, stale) {
    const figure = lowest(state);
    const part = (name) => this.figure.querySelector(`.${name}`);
    this.figure.dataset.basis = figure.basis;
    this.figure.dataset.age = stale ? "stale" : age > LATE_S ? "late" : "now";
    say(part("basis"), figure.basis === "loaded" ? "lowest loaded voltage" : "lowest rest voltage");
    say(part("group"), figure.group === null ? "" : `group ${figure.group}`);
    say(part("digits"), volts(figure.value));
    say(part("sigma"), figure.sigma > SIGMA_SHOWN_V ? `±${figure.sigma.toFixed(2)}` : "");
    say(part("line"), meaning(state, age));
    say(part("age"), ageWords(age));
  }

  showReach(state, stale) {
    const found = reach(state);
    const [left, home] = this.reach.children;
    this.reach.dataset.home = stale ? "unknown" : found.verdict;
    this.reach.dataset.stale = stale ? "yes" : "no";
    say(left.firstElementChild, found.left);
    say(home.firstElementChild, found.home);
    say(home.lastElementChild, found.note);
  }

  showFacts(state, stale) {
    const part = (name) => this.facts.querySelector(`.${name}`);
    this.facts.dataset.stale = stale ? "yes" : "no";
    say(part("current"), state.current_a === null ? "no current reading" : amount(Math.round(state.current_a) || 0, "A"));
    const hottest = Math.max(...state.temperature_c.filter((value) => value !== null));
    say(part("heat"), Number.isFinite(hottest) ? `${Math.round(hottest)} °C` : "");
    const weak = weakLine(state);
    say(this.weak, weak);
    this.weak.hidden = weak === "";
    say(part("way"), state.distance_m === null ? "" : `${(state.distance_m / 1000).toFixed(1)} km`);
  }

  async acknowledge() {
    if (this.silent) {
      this.sound.silenceSeen();
      return;
    }
    this.button.dataset.busy = "yes";
    this.button.disabled = true;
    try {
      await post("/alarms/acknowledge", {}, ACKNOWLEDGE_MS);
      this.failed = null;
    } catch (error) {
      this.failed = error.status === 401 ? "not sent: pair this phone" : "not sent: press again";
      console.info(error.message);
    } finally {
      delete this.button.dataset.busy;
      this.button.disabled = false;
    }
  }
}

function marked(state) {
  const levels = new Map();
  for (const alarm of ordered(state.alarms)) {
    if (alarm.group !== null && OPEN.includes(alarm.state) && !levels.has(alarm.group)) {
      levels.set(alarm.group, alarm.priority);
    }
  }
  return levels;
}
