// A pack over months. Law: a trend is told with its doubt, and "not enough rides yet" until it means something.

import { get } from "./api.js";
import { button, element, figure, stylesheet } from "./dom.js";

const RESISTS = 1.25; // as the words about them have it
const HOLDS = 0.9;

const standsOut = (health, group, capacity) => health.ageing.includes(group.group) || health.fading.includes(group.group)
  || (health.enough && (group.ratio >= RESISTS || (capacity?.ratio ?? 1) <= HOLDS));

function perYear(trend, unit) {
  if (!trend) return "–";
  const digits = Math.abs(trend.per_year) < 0.1 ? 3 : 2;
  const sign = trend.per_year < 0 ? "−" : "+";
  const words = `${sign}${Math.abs(trend.per_year).toFixed(digits)} ± ${trend.per_year_sigma.toFixed(digits)} ${unit}`;
  return trend.sure ? words : `${words} (not sure)`;
}

function table(health) {
  const rows = health.resistance.groups.map((group, at) => {
    const capacity = health.capacity.groups[at];
    return element("tr", standsOut(health, group, capacity) ? { class: "odd" } : {}, element("td", {}, String(group.group)),
      element("td", {}, group.latest === null ? "–" : group.latest.toFixed(2)),
      element("td", {}, group.ratio === null ? "–" : `${group.ratio.toFixed(2)}`),
      element("td", {}, perYear(group.trend, "")),
      element("td", {}, capacity?.latest === null || capacity === undefined ? "–" : capacity.latest.toFixed(1)));
  });
  const heads = ["group", "resistance, mΩ", "to median", "mΩ more a year", "capacity, Ah"];
  return element("table", { class: "groups" },
    element("thead", {}, element("tr", {}, ...heads.map((words) => element("th", { scope: "col" }, words)))),
    element("tbody", {}, ...rows));
}

class Health {
  constructor(body) {
    this.body = body;
    this.plots = [];
  }

  async start() {
    const [{ packs }, { fitted }] = await Promise.all([get("/packs/known"), get("/packs")]);
    if (packs.length === 0) {
      this.body.replaceChildren(element("p", { class: "empty" }, "No ride is kept yet, so nothing is known of a pack."));
      return;
    }
    this.names = packs.map((pack) => pack.name);
    this.tabs = element("div", { class: "buttons", role: "group", "aria-label": "Pack" },
      ...this.names.map((name) => button(name, () => this.choose(name).catch((error) => this.fail(name, error)), "tap small")));
    this.place = element("div", {});
    this.body.replaceChildren(this.tabs, this.place);
    await this.choose(this.names.includes(fitted) ? fitted : this.names[0]);
  }

  fail(name, error) {
    if (this.name !== name) return;
    this.remove();
    this.place.replaceChildren(element("p", { class: "empty" }, error.message));
  }

  async choose(name) {
    [...this.tabs.children].forEach((tab, at) => tab.setAttribute("aria-pressed", String(this.names[at] === name)));
    this.name = name;
    const [health, { drawMonths }] = await Promise.all([get(`/packs/${encodeURIComponent(name)}/health`),
      import("./lines.js"), stylesheet("/page/vendor/uplot/dist/uPlot.min.css")]);
    if (this.name !== name) return; // another tap came meanwhile: its pack is the one to show
    this.place.replaceChildren(
      element("p", { class: "facts-row" }, figure(String(health.rides), "rides"), figure(String(Math.round(health.days)), "days"),
        figure(perYear(health.resistance.median, "mΩ"), "resistance a year, median")),
      element("p", { class: "prose" }, health.words));
    this.draw(health, drawMonths);
    this.place.append(element("h2", {}, "Groups"), table(health), ...this.others(name));
  }

  /** The way to hold this pack against another. */
  others(name) {
    const others = this.names.filter((one) => one !== name);
    if (others.length === 0) return [];
    const link = (other) => element("a", { class: "tap", href: `#/packs/${[name, other].map(encodeURIComponent).join("/")}` }, other);
    return [element("h2", {}, `${name} against`), element("div", { class: "buttons" }, ...others.map(link))];
  }

  /** Every group's line is thin; those that stand out are strong. */
  draw(health, drawMonths) {
    this.remove();
    const points = health.points.filter((point) => point.unix_s !== null);
    if (points.length < 2) return;
    const days = points.map((point) => (point.unix_s - points[0].unix_s) / 86400);
    const of = (key) => Array.from({ length: health.series }, (_, at) => points.map((point) => point[key]?.[at] ?? null));
    const plot = (title, groups, digits, strong) => {
      if (!groups.some((values) => values.some((value) => value !== null))) return;
      const place = element("div", { class: "plot" });
      this.place.append(place);
      this.plots.push(drawMonths(place, title, days, groups, strong, digits));
    };
    plot("resistance at 25 °C by group, mΩ", of("resistance_mohm"), 1, health.ageing);
    plot("capacity by group, Ah", of("capacity_ah"), 1, health.fading);
    plot("spread at rest, V", [points.map((point) => point.spread_v)], 2, [1]);
  }

  remove() {
    for (const plot of this.plots) plot.remove();
    this.plots = [];
  }
}

export async function showHealth(body) {
  const health = new Health(body);
  await health.start();
  return () => health.remove();
}
