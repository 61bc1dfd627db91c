// What another setting would have done. Law: the bike's own rule judged by the bike's own engine, beside a plain buzzer;
// nothing is taken over but by a tap of its own, and each can be undone.

import { get, post } from "./api.js";
import { duration } from "./dates.js";
import { button, element, tell } from "./dom.js";
import { volts } from "./words.js";

const RIDES_MOST = 50;
const PLAIN_DELAY_S = 1;
const same = (a, b) => Math.abs(a - b) < 1e-6;

function times(count, one, many) {
  return `${count} ${count === 1 ? one : many}`;
}

function nearest(values, wanted) {
  return values.reduce((best, value) => (Math.abs(value - wanted) < Math.abs(best - wanted) ? value : best));
}

/** "of 9 groups, first 11 min before the floor": when the first warning came, by what came after it. */
function lead(told, ofGroups = false) {
  if (told.first_s === null) return "";
  if (ofGroups && told.groups > 1) return `of ${told.groups} groups, ${lead(told)}`;
  if (told.to_floor_s === null) return `first ${duration(told.to_end_s)} before the end`;
  if (told.to_floor_s < 0) return `first ${duration(-told.to_floor_s)} after the floor`;
  return `first ${duration(told.to_floor_s)} before the floor`;
}

/** What to think of before a setting that warns later than the present one is taken over; "" for any other. */
function laterWords(set, now) {
  if (set.limit > now.limit_v - 1e-6 && set.delay < now.on_delay_s + 1e-6) return "";
  return "This warns later than now. Few rides prove little: judge them all, and keep above what the cell’s maker calls empty.";
}

export class WhatIf {
  constructor(section, plots, ride, packs) {
    this.section = section;
    this.plots = plots;
    this.ride = ride;
    this.pack = packs.packs.find((pack) => pack.name === ride.pack) ?? null;
    this.mayChange = false;
    this.others = null;
  }

  offer() {
    if ((this.ride.kind ?? "ride") !== "ride" || this.ride.ended_by === null) return;
    this.section.hidden = false;
    this.section.replaceChildren(element("h2", {}, "What if"),
      element("p", { class: "quiet" }, "Move the limit and see how often it would have warned."),
      element("div", { class: "buttons" }, button("Try other limits", (event) => this.begin(event.target))));
  }

  async begin(pressed) {
    pressed.disabled = true;
    pressed.textContent = "Judging the ride anew";
    try {
      [this.tried, { paired: this.mayChange }] = await Promise.all([get(`/rides/${this.ride.ride_id}/what-if`), get("/me")]);
    } catch (error) {
      pressed.disabled = false;
      pressed.textContent = "Try other limits";
      return tell(this.section, error.message);
    }
    if (!this.section.isConnected) return null; // the reader has gone on meanwhile
    const { now, limits_v: limits, delays_s: delays } = this.tried;
    this.set = { limit: nearest(limits, now.limit_v), delay: nearest(delays, now.on_delay_s), plain: nearest(limits, now.limit_v) };
    this.build(limits, delays);
    this.hangRules(limits);
    return this.show();
  }

  build(limits, delays) {
    this.dials = {
      limit: this.dial("Limit at rest", limits, "limit", (v) => `${volts(v)} V`),
      delay: this.dial("For at least", delays, "delay", (v) => `${v} s`),
      plain: this.dial("Plain buzzer, loaded", limits, "plain", (v) => `${volts(v)} V`),
    };
    this.ours = element("div");
    this.buzzer = element("div");
    this.later = element("p", { class: "second-look", hidden: "" });
    this.take = button("Take this over", () => this.takeOver());
    this.allRides = button("Judge all rides of this pack", () => this.judgeAll());
    this.section.replaceChildren(element("h2", {}, "What if"),
      element("p", { class: "quiet" }, "Drag a limit on the plot, or here. Thick marks: sagwise would warn of a group. Groups that follow within a minute make one warning. Thin marks: a plain buzzer would sound."),
      this.dials.limit.row, this.dials.delay.row, this.dials.plain.row,
      element("div", { class: "verdicts", "aria-live": "polite" }, this.ours, this.buzzer),
      this.later,
      element("div", { class: "buttons" }, this.allRides, ...(this.pack && this.mayChange ? [this.take] : [])));
  }

  dial(words, values, name, format) {
    const input = element("input", { type: "range", min: "0", max: String(values.length - 1), step: "1", id: `dial-${name}` });
    const output = element("output", { for: `dial-${name}` });
    input.addEventListener("input", () => { this.set[name] = values[Number(input.value)]; this.show(); });
    return { row: element("div", { class: "dial" }, element("label", { for: `dial-${name}` }, words), output, input), input, output,
      put: (value) => {
        input.value = String(values.indexOf(value));
        input.setAttribute("aria-valuetext", format(value));
        output.textContent = format(value);
      } };
  }

  hangRules(limits) {
    const step = limits.length > 1 ? Math.abs(limits[1] - limits[0]) : 0.01;
    const grip = (name, key) => ({ name, step, range: [Math.min(...limits), Math.max(...limits)], volts: this.set[key],
      move: (wanted) => { this.set[key] = nearest(limits, wanted); this.show(); } });
    this.grips = { plain: grip("plain-line", "plain"), limit: grip("rest-limit", "limit") };
    for (const made of Object.values(this.grips)) this.plots.addGrip(made);
  }

  of(tried) {
    const { limit, delay, plain } = this.set;
    const rest = tried.rest.find((one) => same(one.limit_v, limit) && same(one.on_delay_s, delay));
    return { rest, plain: tried.plain.find((one) => same(one.limit_v, plain)) };
  }

  show() {
    for (const [name, dial] of Object.entries(this.dials)) dial.put(this.set[name]);
    for (const [name, grip] of Object.entries(this.grips)) grip.volts = this.set[name];
    const found = this.of(this.tried);
    this.plots.setTicks(found.rest.raises_s, found.plain.raises_s);
    const words = this.others === null ? [found.rest, found.plain].map((told, at) => [told.warnings, lead(told, at === 0)]) : this.summed();
    [this.ours, this.buzzer].forEach((place, at) => {
      const [count, note] = words[at];
      place.replaceChildren(element("small", {}, at === 0 ? "sagwise" : `plain buzzer, ${PLAIN_DELAY_S} s`),
        element("b", {}, times(count, "warning", "warnings")), element("small", {}, note));
    });
    const now = this.tried.now;
    this.later.textContent = laterWords(this.set, now);
    this.later.hidden = this.later.textContent === "";
    this.take.disabled = same(now.limit_v, this.set.limit) && same(now.on_delay_s, this.set.delay);
  }

  summed() {
    const tried = [this.tried, ...this.others];
    const both = tried.map((one) => this.of(one));
    return ["rest", "plain"].map((kind) => {
      const told = both.map((one) => one[kind]).filter(Boolean);
      const warned = told.filter((one) => one.warnings > 0).length;
      return [told.reduce((sum, one) => sum + one.warnings, 0), `on ${warned} of ${times(told.length, "ride", "rides")}`];
    });
  }

  async judgeAll() {
    this.allRides.disabled = true;
    try {
      const query = `limit=${RIDES_MOST}&kind=ride&pack=${encodeURIComponent(this.ride.pack)}`;
      const { rides } = await get(`/rides?${query}`);
      const ids = rides.filter((ride) => ride.ended_by !== null && ride.ride_id !== this.ride.ride_id).map((ride) => ride.ride_id);
      const left = await this.judgeThese(ids);
      const judged = this.others.length + 1;
      this.allRides.textContent = left === 0 ? `All ${judged} rides are judged`
        : `${times(judged, "ride is", "rides are")} judged; ${left} cannot be: too little of ${left === 1 ? "it" : "them"} is kept`;
      this.show();
    } catch (error) {
      this.allRides.disabled = false;
      this.allRides.textContent = "Judge all rides of this pack";
      tell(this.section, error.message);
    }
  }

  /** Judges rides one by one, for as long as the view stands; how many cannot be, as those that have been thinned. */
  async judgeThese(ids) {
    let left = 0;
    this.others = [];
    for (const id of ids) {
      if (!this.section.isConnected) break;
      this.allRides.textContent = `${this.others.length + 1} of ${ids.length + 1} rides judged`;
      try {
        this.others.push(await get(`/rides/${id}/what-if`));
      } catch (error) {
        if (![404, 409, 422].includes(error.status)) throw error;
        left += 1;
      }
      this.show();
    }
    return left;
  }

  async takeOver() {
    const { limit, delay } = this.set;
    this.take.disabled = true; // a second tap would be refused, and take the way back with it
    try {
      const change = await post(`/packs/${encodeURIComponent(this.ride.pack)}/changes`,
        { rule: "rest_low", values: { volts: limit, on_delay_s: delay } });
      const before = this.tried.now;
      this.tried.now = { limit_v: limit, on_delay_s: delay };
      this.show();
      tell(this.section, `The bike now warns below ${volts(limit)} V at rest for ${delay} s.`, async () => {
        await post(`/changes/${change.change_id}/undo`, {});
        this.tried.now = before;
        this.show();
        tell(this.section, `Undone: ${volts(before.limit_v)} V for ${before.on_delay_s} s again.`);
      });
    } catch (error) {
      this.show();
      tell(this.section, error.message);
    }
  }
}
