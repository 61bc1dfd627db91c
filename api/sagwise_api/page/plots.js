// The plots of a ride. Law: one time axis and one cursor for all; ink only; limits are rules, alarms numbered marks.

import uPlot from "./vendor/uplot/dist/uPlot.esm.js";
import { intoRide } from "./dates.js";
import { element } from "./dom.js";
import { Gestures } from "./gestures.js";
import { axes, ink, rule } from "./paint.js";
import { onTheme } from "./theme.js";
import { volts } from "./words.js";

const SHORTEST_S = 4; // no closer than this
const FINER_AFTER_MS = 120;
const TICK_ROOM = 0.11; // of the span of volts
const DASHES = [[], [7, 4], [2, 3], [10, 3, 2, 3]];
const SHARES = { voltage: 0.36, current: 0.2, temperature: 0.16 };

export class Plots {
  /** places: elements by name, and `reads`. data: {chart, names, limits, marks, duration_s}. finer(start, end) gives
      the chart of a span. */
  constructor(places, data, finer) {
    this.places = places;
    this.data = data;
    this.finer = finer;
    this.chart = data.chart;
    this.span = [0, data.duration_s];
    this.ticks = { ours: [], plain: [] };
    this.grips = [];
    this.wait = null;
    this.turn = 0;
    this.build();
    this.offTheme = onTheme(() => this.build());
    this.observer = new ResizeObserver(() => this.resize());
    this.observer.observe(places.voltage);
  }

  get all() {
    return [this.voltage, this.current, this.temperature].filter(Boolean);
  }

  build() {
    this.drop();
    const colour = ink();
    const has = (test) => this.data.names.some(test);
    this.voltage = this.makeVoltage(colour);
    this.current = has((name) => name === "current_a") ? this.makeCurrent(colour) : null;
    this.temperature = has((name) => name.startsWith("temperature_")) ? this.makeTemperature(colour) : null;
    for (const plot of this.all) this.gestures(plot);
    for (const grip of this.grips) this.hang(grip);
    this.show();
    this.read(null);
  }

  drop() {
    for (const plot of this.all ?? []) plot.destroy();
  }

  remove() {
    this.turn += 1;
    clearTimeout(this.wait);
    this.offTheme();
    this.observer.disconnect();
    this.drop();
  }

  size(name) {
    const tall = Math.min(Math.max(window.innerHeight * SHARES[name], name === "voltage" ? 220 : 120), 420);
    return { width: this.places[name].clientWidth, height: Math.round(tall) };
  }

  resize() {
    for (const name of Object.keys(SHARES)) this[name]?.setSize(this.size(name));
  }

  // The span that is seen.

  get whole() {
    return this.span[0] <= 0 && this.span[1] >= this.data.duration_s;
  }

  /** Shows from `start` to `end` seconds, as near as may be; the finer chart follows by itself. */
  view(start, end) {
    const longest = this.data.duration_s;
    const length = Math.min(Math.max(end - start, SHORTEST_S), Math.max(longest, SHORTEST_S));
    const first = Math.min(Math.max(start, 0), Math.max(0, longest - length));
    this.span = [first, first + length];
    this.show();
    clearTimeout(this.wait);
    this.turn += 1; // what is still on its way is of another span
    if (this.whole) this.use(this.data.chart);
    else this.wait = setTimeout(() => this.fetch(), FINER_AFTER_MS);
    this.places.onSpan?.(this.whole, this.span);
  }

  zoom(factor, at = (this.span[0] + this.span[1]) / 2) {
    this.view(at - (at - this.span[0]) / factor, at + (this.span[1] - at) / factor);
  }

  pan(share) {
    const by = share * (this.span[1] - this.span[0]);
    this.view(this.span[0] + by, this.span[1] + by);
  }

  show() {
    const [min, max] = this.span;
    for (const plot of this.all) plot.setScale("x", { min, max });
  }

  async fetch() {
    const [start, end] = this.span;
    const around = (end - start) / 2;
    const mine = this.turn;
    try {
      const chart = await this.finer(Math.max(0, start - around), Math.min(this.data.duration_s, end + around));
      if (mine === this.turn) this.use(chart);
    } catch (error) {
      if (mine !== this.turn) return;
      this.use(this.data.chart); // a finer one of another span would leave this one empty
      this.places.onFault?.(error.message);
    }
  }

  use(chart) {
    if (chart === this.chart) return;
    this.chart = chart;
    for (const plot of this.all) plot.setData(plot.columns(), false);
    this.show();
    this.places.voltage.dataset.points = String(chart.time.length);
  }

  // The plots.

  column(name, side) {
    const index = this.data.names.indexOf(name);
    return index < 0 ? Array.from(this.chart.time, () => null) : this.chart[side][index];
  }

  options(colour, name, format, steps) {
    return {
      ...this.size(name),
      legend: { show: false },
      padding: [22, 8, 0, 0],
      scales: { x: { time: false } },
      axes: axes(colour, format, steps, intoRide),
      cursor: { sync: { key: "ride", setSeries: false }, drag: { x: true, y: false, setScale: false }, y: false,
        points: { show: false } },
      hooks: { setSelect: [(plot) => this.selected(plot)] },
    };
  }

  /** A mouse that drew a box wants to see what is in it. */
  selected(plot) {
    const { left, width } = plot.select;
    if (width < 8) return;
    plot.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
    this.view(plot.posToVal(left, "x"), plot.posToVal(left + width, "x"));
  }

  makeVoltage(colour) {
    const { limits } = this.data;
    const options = this.options(colour, "voltage", (v) => v.toFixed(1), [0.1, 0.2, 0.5, 1]);
    const range = this.voltageRange();
    options.scales.y = { range: () => range };
    options.series = [{}, { stroke: colour.band, width: 1 }, { stroke: colour.band, width: 1 },
      { stroke: colour.ink, width: 3 }];
    options.bands = [{ series: [2, 1], fill: colour.band }];
    options.hooks.draw = [(plot) => {
      rule(plot, limits.rest_v, colour, 1.5, [9, 5]);
      rule(plot, limits.floor_v, colour, 3, []);
      this.place(plot);
    }];
    options.hooks.setCursor = [(plot) => this.read(plot.cursor.idx)];
    return this.mount(options, "voltage", "groups, V", () => [this.chart.time, this.column("loaded_v", "low"),
      this.column("loaded_v", "high"), this.column("rest_v", "low")]);
  }

  /** Of the whole ride, so that the scale stands still while the finger moves; below all of it is room for ticks. */
  voltageRange() {
    const known = ["low", "high"].flatMap((side) => this.column("loaded_v", side).filter((v) => v !== null));
    const floor = this.data.limits.floor_v ?? Math.min(...known);
    const low = Math.min(...known, floor);
    const high = Math.max(...known, floor + 0.5) + 0.05;
    return [low - (high - low) * TICK_ROOM, high];
  }

  makeCurrent(colour) {
    const options = this.options(colour, "current", (v) => v.toFixed(0), [5, 10, 20, 50, 100, 200, 500]);
    options.series = [{}, { stroke: colour.band, width: 1 }, { stroke: colour.ink, width: 1.5 }];
    options.bands = [{ series: [2, 1], fill: colour.band }];
    return this.mount(options, "current", "current, A", () => [this.chart.time, this.column("current_a", "low"),
      this.column("current_a", "high")]);
  }

  makeTemperature(colour) {
    const options = this.options(colour, "temperature", (v) => v.toFixed(0), [1, 2, 5, 10, 20]);
    const sensors = this.data.names.filter((name) => name.startsWith("temperature_"));
    options.scales.y = { range: (_, low, high) => [(low ?? 20) - 2, (high ?? 30) + 2] };
    options.series = [{}, ...sensors.map((_, at) => ({ stroke: colour.ink, width: 1.5, dash: DASHES[at % DASHES.length] }))];
    return this.mount(options, "temperature", "temperature, °C", () => [this.chart.time,
      ...sensors.map((name) => this.column(name, "high"))]);
  }

  mount(options, name, title, columns) {
    const place = this.places[name];
    place.replaceChildren(element("span", { class: "plot-name" }, title));
    const plot = new uPlot(options, columns(), place);
    plot.columns = columns;
    return plot;
  }

  gestures(plot) {
    new Gestures(plot.over, {
      cursor: (left) => plot.setCursor({ left, top: 10 }),
      pan: (share) => this.pan(-share),
      zoom: (factor, share) => this.zoom(factor, this.span[0] + share * (this.span[1] - this.span[0])),
      zoomed: () => !this.whole,
    });
  }

  // What lies on the voltage plot.

  /** ours, plain: seconds at which either would have warned. */
  setTicks(ours, plain) {
    this.ticks = { ours, plain };
    this.place(this.voltage);
  }

  /** A rule that can be dragged: {volts, name, range: [low, high], step, move(volts), done()}. */
  addGrip(grip) {
    this.grips.push(grip);
    this.hang(grip);
    this.voltage.redraw(false); // the limit's own name gives way to the grip's figure
  }

  hang(grip) {
    const { over } = this.voltage;
    grip.handle = element("div", { class: `grip ${grip.name}` }, element("i", {}, ""));
    const move = (event) => {
      const box = over.getBoundingClientRect();
      const free = this.voltage.posToVal(event.clientY - box.top, "y");
      const stepped = Math.round(free / grip.step) * grip.step;
      grip.move(Math.min(Math.max(stepped, grip.range[0]), grip.range[1]));
    };
    grip.handle.addEventListener("pointerdown", (event) => {
      event.stopPropagation();
      event.preventDefault();
      grip.handle.setPointerCapture(event.pointerId);
      grip.handle.onpointermove = move;
    });
    grip.handle.addEventListener("mousedown", (event) => event.stopPropagation());
    const end = () => { grip.handle.onpointermove = null; };
    grip.handle.addEventListener("pointerup", end);
    grip.handle.addEventListener("pointercancel", end);
    over.append(grip.handle);
    this.place(this.voltage);
  }

  place(plot) {
    for (const old of plot.over.querySelectorAll(".mark, .tick, .grip-line, .rule-label")) old.remove();
    const put = (at, made) => {
      const left = plot.valToPos(at, "x");
      if (left < 0 || left > plot.over.clientWidth) return;
      made.style.left = `${left}px`;
      plot.over.append(made);
    };
    for (const kind of ["plain", "ours"]) {
      for (const at of this.ticks[kind]) put(at, element("span", { class: `tick ${kind}` }));
    }
    for (const mark of this.data.marks) {
      put(mark.at_s, element("span", { class: "mark", "data-level": mark.priority }, element("i", {}, String(mark.number))));
    }
    for (const grip of this.grips) this.placeGrip(plot, grip);
    this.placeNames(plot);
  }

  /** Names of the limits lie above marks and ticks. A limit that can be dragged has its figure at the grip. */
  placeNames(plot) {
    const { rest_v: rest, floor_v: floor } = this.data.limits;
    const named = [[rest, this.grips.length === 0 ? `rest limit ${volts(rest)} V` : null], [floor, `floor ${volts(floor)} V`]];
    for (const [value, words] of named) {
      if (value === null || words === null) continue;
      const name = element("span", { class: "rule-label" }, words);
      name.style.top = `${plot.valToPos(value, "y")}px`;
      plot.over.append(name);
    }
  }

  placeGrip(plot, grip) {
    const top = plot.valToPos(grip.volts, "y");
    grip.handle.style.top = `${top}px`;
    grip.handle.firstElementChild.textContent = volts(grip.volts);
    const line = element("span", { class: `grip-line ${grip.name}` });
    line.style.top = `${top}px`;
    plot.over.append(line);
  }

  read(index) {
    const { chart } = this;
    if (index === null || index === undefined) {
      this.places.reads.replaceChildren(element("span", {}, "Touch the plot to read it. Pinch to look closer."));
      return;
    }
    const at = (name, side) => this.column(name, side)[index] ?? null;
    const current = at("current_a", "high");
    const sensors = this.data.names.filter((name) => name.startsWith("temperature_")).map((name) => at(name, "high"));
    const hottest = Math.max(...sensors.filter((value) => value !== null));
    const more = [`loaded ${volts(at("loaded_v", "low"))} to ${volts(at("loaded_v", "high"))} V`];
    if (current !== null) more.push(`${String(Math.round(current)).replace("-", "−")} A`);
    if (Number.isFinite(hottest)) more.push(`${Math.round(hottest)} °C`);
    this.places.reads.replaceChildren(element("b", { class: "at" }, intoRide(chart.time[index])),
      element("b", {}, `rest ${volts(at("rest_v", "low"))} V`), element("span", {}, more.join(" · ")));
  }
}
