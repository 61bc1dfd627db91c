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

/** One side: {asked, name, link, figures: [words]}; `asked` is what the bike's comparison takes. */
async function rideSide(id) {
  const ride = await get(`/rides/${id}`);
  const name = ride.name ?? `${shortDayOf(ride.started_unix_s)}, ${clockOf(ride.started_unix_s)}`;
  const figures = FIGURES.map(([key, , format]) => (ride[key] === null ? "–" : format(ride[key])));
  return { asked: String(id), name, link: `#/rides/${id}`, figures };
}

const fixed = (trend, digits, unit) => (trend ? `${trend.at_end.toFixed(digits)} ${unit}` : "–");
const PACK_FIGURES = [
  ["rides", (pack) => String(pack.rides)],
  ["groups", (pack) => String(pack.series)],
  ["resistance, median at 25 °C", (pack, health) => fixed(health?.resistance.median, 2, "mΩ")],
  ["capacity, median", (pack, health) => fixed(health?.capacity.median, 1, "Ah")],
  ["spread at rest", (pack, health) => fixed(health?.spread, 2, "V")],
  ["groups that age", (pack, health) => health?.ageing.join(", ") || "none known"],
];

async function packSide(name, packs) {
  const pack = packs.find((one) => one.name === name);
  if (pack === undefined) throw new Error(`No ride of ${name} is kept.`);
  const health = await get(`/packs/${encodeURIComponent(name)}/health`).catch(() => null); // too young to have any
  return { asked: `pack:${name}`, name, link: "#/health", figures: PACK_FIGURES.map(([, of]) => of(pack, health)) };
}

class Comparison {
  constructor(sides, heads, note, body) {
    this.sides = sides;
    this.heads = heads;
    this.note = note;
    this.body = body;
    this.by = "time";
    this.drawn = null;
  }

  async start() {
    this.tabs = element("div", { class: "buttons", role: "group", "aria-label": "Compare by" },
      ...AXES.map(([by, words]) => button(words, () => this.choose(by), "tap small")));
    this.say = element("p", { class: "quiet", role: "status" });
    this.place = element("div", { class: "plots", id: "plot-compare" });
    this.reads = element("p", { class: "readout" });
    this.body.replaceChildren(this.tabs, this.key(), this.reads, this.place, this.say, this.table());
    await this.choose(this.by);
  }

  key() {
    return element("p", { class: "key" }, ...this.sides.flatMap((side, at) => [
      element("i", { class: at === 0 ? "stroke" : "stroke dashed" }), element("a", { href: side.link }, side.name)]));
  }

  table() {
    const head = element("tr", {}, element("th", { scope: "col" }, ""), ...this.sides.map((side, at) =>
      element("th", { scope: "col" }, `${at === 0 ? "solid" : "dashed"}: ${side.name}`)));
    const rows = this.heads.map((words, at) => element("tr", {}, element("th", { scope: "row" }, words),
      ...this.sides.map((side) => element("td", {}, side.figures[at]))));
    return element("table", { class: "groups figures" }, element("thead", {}, head), element("tbody", {}, ...rows));
  }

  async choose(by) {
    this.by = by;
    [...this.tabs.children].forEach((tab, at) => tab.setAttribute("aria-pressed", String(AXES[at][0] === by)));
    this.say.textContent = this.note;
    try {
      const [a, b] = this.sides.map((side) => encodeURIComponent(side.asked));
      const found = await get(`/compare?a=${a}&b=${b}&by=${by}&channels=rest_v,loaded_v&points=300`);
      const [{ drawComparison }] = await Promise.all([import("./lines.js"), stylesheet("/page/vendor/uplot/dist/uPlot.min.css")]);
      if (this.by !== by) return; // another tap came meanwhile: its axis is the one to show
      this.remove();
      this.drawn = drawComparison(this.place, found, (index) => this.read(found, index));
      this.read(found, null);
      this.say.textContent = [this.note, ...found.sides.map(remnant)].filter(Boolean).join(" ");
    } catch (error) {
      if (this.by !== by) return;
      this.remove(); // a plot of another axis under this one's name would be taken for it
      this.place.replaceChildren();
      this.reads.replaceChildren();
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

function remnant(side) {
  return side.thinned ? `Of ${side.name} the extremes of every 2 s are left.` : "";
}

async function show(body, sides, heads, note) {
  const comparison = new Comparison(await sides, heads, note, body);
  await comparison.start();
  return () => comparison.remove();
}

/** An address that was typed by hand may name one, or none. */
function missing(body, words, href, where) {
  body.replaceChildren(element("p", { class: "empty" }, words),
    element("div", { class: "buttons" }, element("a", { class: "tap", href }, where)));
  return null;
}

export function showComparison(ids, body) {
  if (ids.length !== 2) return missing(body, "Two rides are wanted here. Mark two in the list of rides, then tap Compare.", "#/rides", "Go to the rides");
  return show(body, Promise.all(ids.map(rideSide)), FIGURES.map(([, words]) => words), "");
}

export function showPacks(names, body) {
  if (names.length !== 2) return missing(body, "Two packs are wanted here. Choose one under Health, then tap the pack to hold it against.", "#/health", "Go to Health");
  const sides = get("/packs/known").then(({ packs }) => Promise.all(names.map((name) => packSide(name, packs))));
  return show(body, sides, PACK_FIGURES.map(([words]) => words), "Each line is the middle of the pack’s newest rides.");
}
