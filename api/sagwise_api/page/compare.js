// Two rides, or two packs, on one axis. Law: the same axis for both; solid is the first, dashed the second.

import { get } from "./api.js";
import { clockOf, duration, intoRide, shortDayOf } from "./dates.js";
import { button, element, stylesheet } from "./dom.js";
import { volts } from "./words.js";

const AXES = [["time", "By time"], ["energy", "By energy used"], ["distance", "By distance"]];
const FIGURES = [
  ["duration_s", "duration", duration],
  ["rest_min_v", "lowest rest", (v) => `${volts(v)} V`],
  ["loaded_min_v", "lowest loaded", (v) => `${volts(v)} V`],
  ["energy_wh", "used", (v) => `${Math.round(v)} Wh`],
  ["current_max_a", "most current", (v) => `${Math.round(v)} A`],
  ["distance_m", "distance", (v) => `${(v / 1000).toFixed(1)} km`],
  ["alarms", "alarms", String],
];

class Comparison {
  constructor(ids, body) {
    this.ids = ids;
    this.body = body;
    this.by = "time";
    this.drawn = null;
  }

  async start() {
    this.rides = await Promise.all(this.ids.map((id) => get(`/rides/${id}`)));
    this.tabs = element("div", { class: "buttons", role: "group", "aria-label": "Compare by" },
      ...AXES.map(([by, words]) => button(words, () => this.choose(by), "tap small")));
    this.say = element("p", { class: "quiet", role: "status" });
    this.place = element("div", { class: "plots", id: "plot-compare" });
    this.reads = element("p", { class: "readout" });
    this.body.replaceChildren(this.tabs, this.key(), this.reads, this.place, this.say, this.table());
    await this.choose(this.by);
  }

  key() {
    return element("p", { class: "key" }, ...this.rides.flatMap((ride, at) => [
      element("i", { class: at === 0 ? "stroke" : "stroke dashed" }),
      element("a", { href: `#/rides/${ride.ride_id}` }, this.name(ride))]));
  }

  name(ride) {
    return ride.name ?? `${shortDayOf(ride.started_unix_s)}, ${clockOf(ride.started_unix_s)}`;
  }

  table() {
    const head = element("tr", {}, element("th", { scope: "col" }, ""), ...this.rides.map((ride, at) =>
      element("th", { scope: "col" }, `${at === 0 ? "solid" : "dashed"}: ${this.name(ride)}`)));
    const rows = FIGURES.map(([key, words, format]) => element("tr", {}, element("th", { scope: "row" }, words),
      ...this.rides.map((ride) => element("td", {}, ride[key] === null ? "–" : format(ride[key])))));
    return element("table", { class: "groups figures" }, element("thead", {}, head), element("tbody", {}, ...rows));
  }

  async choose(by) {
    this.by = by;
    [...this.tabs.children].forEach((tab, at) => tab.setAttribute("aria-pressed", String(AXES[at][0] === by)));
    this.say.textContent = "";
    try {
      const [a, b] = this.ids;
      const found = await get(`/compare?a=${a}&b=${b}&by=${by}&channels=rest_v,loaded_v&points=300`);
      const [{ drawComparison }] = await Promise.all([import("./lines.js"), stylesheet("/page/vendor/uplot/dist/uPlot.min.css")]);
      this.remove();
      this.drawn = drawComparison(this.place, found, (index) => this.read(found, index));
      this.read(found, null);
    } catch (error) {
      this.say.textContent = error.message;
    }
  }

  read(found, index) {
    if (index === null || index === undefined) {
      this.reads.replaceChildren(element("span", {}, "Touch the plot to read it."));
      return;
    }
    const at = found.by === "time" ? intoRide(found.x[index]) : `${found.x[index].toFixed(found.by === "energy" ? 0 : 1)} ${found.unit}`;
    const rests = found.sides.map((side) => volts(side.channels.rest_v?.low[index]));
    this.reads.replaceChildren(element("b", { class: "at" }, at), element("b", {}, `rest ${rests.join(" and ")} V`));
  }

  remove() {
    this.drawn?.remove();
    this.drawn = null;
  }
}

export async function showComparison(ids, body) {
  const comparison = new Comparison(ids, body);
  try {
    await comparison.start();
  } catch (error) {
    body.replaceChildren(element("p", { class: "empty" }, error.message));
  }
  return () => comparison.remove();
}
