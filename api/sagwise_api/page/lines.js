// Plain line plots: two rides on one axis, a pack over months. Law: told apart by stroke, never by colour.

import uPlot from "./vendor/uplot/dist/uPlot.esm.js";
import { intoRide } from "./dates.js";
import { element } from "./dom.js";
import { Gestures } from "./gestures.js";
import { axes, ink } from "./paint.js";
import { onTheme } from "./theme.js";

const METRES_STEPS = [50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000];
const WH_STEPS = [1, 2, 5, 10, 20, 50, 100, 200, 500];
const DAY_STEPS = [1, 2, 5, 7, 14, 30, 60, 90, 180, 365];
const VALUE_STEPS = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50];
const VOLT_STEPS = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1];

/** A plot that is drawn anew by day and by night and fits its place. make(colour) gives {options, columns, name}. */
export class LinePlot {
  constructor(place, make, read = () => {}) {
    this.place = place;
    this.make = make;
    this.read = read;
    this.build();
    this.off = onTheme(() => this.build());
    this.observer = new ResizeObserver(() => this.plot.setSize(this.size()));
    this.observer.observe(place);
  }

  size() {
    return { width: this.place.clientWidth, height: Math.min(Math.max(Math.round(window.innerHeight * 0.4), 220), 420) };
  }

  build() {
    this.plot?.destroy();
    const { options, columns, name } = this.make(ink());
    this.place.replaceChildren(element("span", { class: "plot-name" }, name));
    this.plot = new uPlot({ ...this.size(), legend: { show: false }, padding: [22, 8, 0, 0],
      cursor: { drag: { x: false, y: false }, y: false, points: { show: false } },
      hooks: { setCursor: [(plot) => this.read(plot.cursor.idx)] }, ...options }, columns, this.place);
    const whole = { zoomed: () => false, pan: () => {}, zoom: () => {} };
    new Gestures(this.plot.over, { ...whole, cursor: (left) => this.plot.setCursor({ left, top: 10 }) });
  }

  remove() {
    this.off();
    this.observer.disconnect();
    this.plot.destroy();
  }
}

export function drawComparison(place, found, read) {
  const formats = { time: [intoRide, undefined], energy: [(v) => `${v} Wh`, WH_STEPS], distance: [metres, METRES_STEPS] };
  const [format, steps] = formats[found.by];
  const side = (at, channel) => found.sides[at].channels[channel]?.low ?? found.x.map(() => null);
  return new LinePlot(place, (colour) => ({
    name: "lowest rest (strong) and loaded, V",
    columns: [found.x, side(0, "loaded_v"), side(1, "loaded_v"), side(0, "rest_v"), side(1, "rest_v")],
    options: {
      scales: { x: { time: false } },
      axes: axes(colour, (v) => v.toFixed(1), VOLT_STEPS, format, steps),
      series: [{}, { stroke: colour.band, width: 1 }, { stroke: colour.band, width: 1, dash: [4, 3] },
        { stroke: colour.ink, width: 3 }, { stroke: colour.ink, width: 3, dash: [9, 6] }],
    },
  }), read);
}

function metres(value) {
  return value >= 1000 ? `${(value / 1000).toFixed(1)} km` : `${value} m`;
}

/** Lines of every group over days; those in `strong` are inked, the median is dashed. */
export function drawMonths(place, name, days, groups, strong, digits) {
  return new LinePlot(place, (colour) => ({
    name,
    columns: [days, ...groups],
    options: {
      scales: { x: { time: false, range: (_, low, high) => [low - 1, Math.max(high, low + 1) + 1] } },
      axes: axes(colour, (v) => v.toFixed(digits), VALUE_STEPS.filter((step) => step >= 10 ** -digits), (day) => `day ${Math.round(day)}`, DAY_STEPS),
      series: [{}, ...groups.map((_, at) => (strong.includes(at + 1)
        ? { stroke: colour.ink, width: 3, spanGaps: true } : { stroke: colour.band, width: 1.5, spanGaps: true }))],
    },
  }));
}
