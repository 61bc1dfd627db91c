// The plots of a ride. Law: ink only; limits are rules, alarms are numbered marks, a finger moves one shared cursor.

import uPlot from "./vendor/uplot/dist/uPlot.esm.js";
import { intoRide } from "./dates.js";
import { element } from "./dom.js";
import { onTheme } from "./theme.js";
import { volts } from "./words.js";

const FONT = '13px Roboto, "Segoe UI", "Liberation Sans", system-ui, sans-serif';
const LABEL = '600 13px Roboto, "Segoe UI", "Liberation Sans", system-ui, sans-serif';
const AXIS_PX = 46;

function ink() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue(name).trim();
  return { ink: of("--ink"), soft: of("--soft"), hair: of("--hair"), band: of("--band"), paper: of("--paper") };
}

const TIME_STEPS_S = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600, 7200];

function axes(colour, format, steps) {
  const common = { stroke: colour.soft, font: FONT, grid: { show: false }, ticks: { stroke: colour.hair, width: 1, size: 5 } };
  return [
    { ...common, size: 30, space: 64, incrs: TIME_STEPS_S, values: (_, ticks) => ticks.map(intoRide) },
    { ...common, size: AXIS_PX, space: 36, incrs: steps, values: (_, ticks) => ticks.map(format), grid: { stroke: colour.hair, width: 1 } },
  ];
}

/** A rule across the plot with its name, drawn on the canvas. */
function rule(plot, value, words, colour, width, dash) {
  if (value === null) return;
  const { left, width: span } = plot.bbox;
  const y = Math.round(plot.valToPos(value, "y", true));
  const context = plot.ctx;
  const ratio = uPlot.pxRatio;
  context.save();
  context.strokeStyle = colour.ink;
  context.lineWidth = width * ratio;
  context.setLineDash(dash.map((part) => part * ratio));
  context.beginPath();
  context.moveTo(left, y);
  context.lineTo(left + span, y);
  context.stroke();
  context.setLineDash([]);
  context.font = LABEL.replace("13px", `${13 * ratio}px`);
  context.textAlign = "left";
  context.lineWidth = 4 * ratio;
  context.strokeStyle = colour.paper;
  context.fillStyle = colour.ink;
  context.lineJoin = "round";
  context.strokeText(words, left + 6 * ratio, y - 9 * ratio);
  context.fillText(words, left + 6 * ratio, y - 9 * ratio);
  context.restore();
}

export class Plots {
  constructor(places, data) {
    this.places = places;
    this.data = data;
    this.sync = uPlot.sync("ride");
    this.build();
    this.offTheme = onTheme(() => this.build());
    this.observer = new ResizeObserver(() => this.resize());
    this.observer.observe(places.voltage);
  }

  build() {
    this.drop();
    const colour = ink();
    this.voltage = this.makeVoltage(colour);
    this.current = this.data.names.includes("current_a") ? this.makeCurrent(colour) : null;
    this.read(null);
  }

  drop() {
    this.voltage?.destroy();
    this.current?.destroy();
  }

  remove() {
    this.offTheme();
    this.observer.disconnect();
    this.drop();
  }

  column(name, side) {
    const index = this.data.names.indexOf(name);
    return index < 0 ? this.data.chart.time.map(() => null) : this.data.chart[side][index];
  }

  size(place, share) {
    const tall = Math.min(Math.max(window.innerHeight * share, 150), 420);
    return { width: place.clientWidth, height: Math.round(tall) };
  }

  resize() {
    this.voltage.setSize(this.size(this.places.voltage, 0.36));
    this.current?.setSize(this.size(this.places.current, 0.2));
  }

  options(colour, size, format, steps) {
    return {
      ...size,
      legend: { show: false },
      padding: [22, 8, 0, 0],
      scales: { x: { time: false } },
      axes: axes(colour, format, steps),
      cursor: { sync: { key: "ride", setSeries: false }, drag: { x: false, y: false }, y: false,
        points: { show: false } },
      hooks: {},
    };
  }

  makeVoltage(colour) {
    const { limits, chart } = this.data;
    const options = this.options(colour, this.size(this.places.voltage, 0.36), (v) => v.toFixed(1), [0.1, 0.2, 0.5, 1]);
    options.scales.y = { range: (_, low, high) => this.voltageRange(low, high) };
    options.series = [{}, { stroke: colour.band, width: 1 }, { stroke: colour.band, width: 1 },
      { stroke: colour.ink, width: 3 }];
    options.bands = [{ series: [2, 1], fill: colour.band }];
    options.hooks.draw = [(plot) => {
      rule(plot, limits.rest_v, `rest limit ${volts(limits.rest_v)} V`, colour, 1.5, [9, 5]);
      rule(plot, limits.floor_v, `floor ${volts(limits.floor_v)} V`, colour, 3, []);
      this.placeMarks(plot);
    }];
    options.hooks.setCursor = [(plot) => this.read(plot.cursor.idx)];
    const columns = [chart.time, this.column("loaded_v", "low"), this.column("loaded_v", "high"),
      this.column("rest_v", "low")];
    return this.mount(options, columns, this.places.voltage, "groups, V");
  }

  voltageRange(low, high) {
    const floor = this.data.limits.floor_v ?? low;
    return [Math.min(low ?? floor, floor) - 0.08, (high ?? floor + 1) + 0.05];
  }

  makeCurrent(colour) {
    const options = this.options(colour, this.size(this.places.current, 0.2), (v) => v.toFixed(0), [5, 10, 20, 50, 100, 200, 500]);
    options.series = [{}, { stroke: colour.band, width: 1 }, { stroke: colour.ink, width: 1.5 }];
    options.bands = [{ series: [2, 1], fill: colour.band }];
    const columns = [this.data.chart.time, this.column("current_a", "low"), this.column("current_a", "high")];
    return this.mount(options, columns, this.places.current, "current, A");
  }

  mount(options, columns, place, name) {
    place.replaceChildren(element("span", { class: "plot-name" }, name));
    const plot = new uPlot(options, columns, place);
    this.follow(plot);
    return plot;
  }

  /** uPlot follows a mouse by itself; a finger is followed here, sideways only, so that the page still scrolls. */
  follow(plot) {
    const move = (event) => {
      if (event.pointerType === "mouse") return;
      const box = plot.over.getBoundingClientRect();
      plot.setCursor({ left: event.clientX - box.left, top: 10 });
    };
    plot.over.addEventListener("pointerdown", move);
    plot.over.addEventListener("pointermove", move);
  }

  placeMarks(plot) {
    for (const old of plot.over.querySelectorAll(".mark")) old.remove();
    for (const mark of this.data.marks) {
      const left = plot.valToPos(mark.at_s, "x");
      if (left < 0 || left > plot.over.clientWidth) continue;
      const disc = element("span", { class: "mark", "data-level": mark.priority }, element("i", {}, String(mark.number)));
      disc.style.left = `${left}px`;
      plot.over.append(disc);
    }
  }

  read(index) {
    const { chart } = this.data;
    const at = (name, side) => this.column(name, side)[index] ?? null;
    if (index === null || index === undefined) {
      this.places.reads.textContent = "Touch the plot to read it.";
      return;
    }
    const current = at("current_a", "high");
    const loaded = `${volts(at("loaded_v", "low"))} to ${volts(at("loaded_v", "high"))} V`;
    const amperes = current === null ? "" : `, ${String(Math.round(current)).replace("-", "−")} A`;
    this.places.reads.textContent =
      `${intoRide(chart.time[index])}  rest ${volts(at("rest_v", "low"))} V\nloaded ${loaded}${amperes}`;
  }
}
