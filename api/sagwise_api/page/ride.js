// One ride on the bench. Law: one time axis and one cursor for all plots; the strong line is the lowest rest voltage.

import { get, getBytes } from "./api.js";
import { clockOf, duration, intoRide, shortDayOf } from "./dates.js";
import { element, figure, stylesheet } from "./dom.js";
import { decode, held } from "./envelope.js";
import { chargeRecord, groupTable, plainWords, standingRecord } from "./groups.js";
import { marksOf } from "./marks.js";
import { energyOf, tells } from "./kinds.js";
import { RecordForm } from "./record.js";
import { volts } from "./words.js";
import { WhatIf } from "./whatif.js";

const WANTED = /^(loaded_v|rest_v|current_a|temperature_\d+_c)$/;
const HELD_S = { loaded_v: 0.6, rest_v: 1.6, current_a: 0.6 }; // a board sends twice a second or more, estimates come once
const HELD_ELSE_S = 1.6;
const ZOOM_POINTS = [200, 1200];

async function load(id) {
  const [ride, { names, chart }, { events }, packs] = await Promise.all([
    get(`/rides/${id}`), loadChart(id), get(`/rides/${id}/events?limit=1000`), get("/packs"),
  ]);
  return { ride, events, names, chart: ride.samples === 0 ? null : chart, packs, limits: limitsOf(packs, ride) };
}

async function loadChart(id) {
  const { channels } = await get(`/rides/${id}/channels`);
  const names = channels.filter((name) => WANTED.test(name));
  return { names, chart: names.length === 0 ? null : await fetchChart(id, names, "") };
}

async function fetchChart(id, names, span) {
  const chart = decode(await getBytes(`/rides/${id}/chart?channels=${names.join(",")}${span}`));
  const step = chart.time.length > 1 ? chart.time[1] - chart.time[0] : 0;
  const hold = (values, index) => held(chart.time, values, Math.max(HELD_S[names[index]] ?? HELD_ELSE_S, 1.1 * step));
  return { time: chart.time, low: chart.low.map(hold), high: chart.high.map(hold) };
}

function finer(id, names) {
  const points = Math.min(ZOOM_POINTS[1], Math.max(ZOOM_POINTS[0], 2 * Math.round(window.innerWidth)));
  return (start, end) =>
    fetchChart(id, names, `&points=${points}&start_s=${start.toFixed(3)}&end_s=${end.toFixed(3)}`);
}

function limitsOf(packs, ride) {
  const rules = packs.packs.find((pack) => pack.name === ride.pack)?.rules ?? [];
  const limit = (name) => rules.find((rule) => rule.rule === name && rule.enabled)?.limit ?? null;
  return { rest_v: limit("rest_low"), floor_v: limit("loaded_floor") };
}

function facts(ride) {
  const or = (value, words) => (value === null || value === undefined ? "–" : words(value));
  const summary = ride.summary ?? {};
  const put = ride.kind === "charge";
  return element("p", { class: "facts-row" },
    figure(duration(ride.duration_s), "duration"),
    figure(or(ride.rest_min_v, (v) => `${volts(v)} V`), "lowest rest"),
    figure(or(ride.loaded_min_v, (v) => `${volts(v)} V`), "lowest loaded"),
    figure(...energyOf(ride)),
    put ? null : figure(or(ride.current_max_a, (v) => `${Math.round(v)} A`), "most current"),
    put ? null : figure(or(ride.distance_m, (v) => `${(v / 1000).toFixed(1)} km`), "distance"),
    summary.wh_per_km ? figure(`${summary.wh_per_km.toFixed(1)}`, "Wh per km") : null);
}

function sentences(marks) {
  if (marks.length === 0) return element("p", { class: "empty" }, "No alarm in this record.");
  return element("ol", { class: "marks" }, ...marks.map((mark) =>
    element("li", { id: `mark-${mark.number}`, "data-level": mark.priority },
      element("span", { class: "disc" }, String(mark.number)),
      element("p", {}, element("b", {}, `${mark.title} at ${intoRide(mark.at_s)}`),
        element("span", {}, mark.parts.join("; "))))));
}

function titled(ride) {
  const clock = `${shortDayOf(ride.started_unix_s)}, ${clockOf(ride.started_unix_s)}`;
  return ride.started_trusted ? clock : `${clock} (clock not set)`;
}

function zoomBar() {
  const button = (words, label) => element("button", { class: "tap small", type: "button", "aria-label": label }, words);
  return element("div", { class: "zoom", role: "group", "aria-label": "Zoom" },
    button("−", "Less close"), button("+", "Closer"), button("‹", "Earlier"), button("›", "Later"),
    button("Whole ride", "Whole ride"), element("span", { class: "quiet" }));
}

function wire(bar, plots) {
  const does = [() => plots.zoom(0.5), () => plots.zoom(2), () => plots.pan(-0.5), () => plots.pan(0.5),
    () => plots.view(0, plots.data.duration_s)];
  bar.querySelectorAll("button").forEach((button, index) => button.addEventListener("click", does[index]));
  plots.places.onSpan = (whole, [start, end]) => {
    bar.lastElementChild.textContent = whole ? "" : `${intoRide(start)} to ${intoRide(end)}`;
  };
  plots.places.onFault = (words) => { bar.lastElementChild.textContent += `, not drawn closer: ${words}`; };
}

/** Shows the ride in `body`; the function that comes back takes the plots down. */
export async function showRide(id, body, title) {
  title(`Ride ${id}`);
  body.replaceChildren(element("p", { class: "empty" }, "Reading the ride"));
  const drawing = Promise.all([import("./plots.js"), stylesheet("/page/vendor/uplot/dist/uPlot.min.css")]); // meanwhile
  drawing.catch(() => {}); // told below, where it is waited for
  const loaded = await load(id);
  const { ride, events, chart, names, limits, packs } = loaded;
  const marks = marksOf(events, ride);
  title(ride.name ?? titled(ride));
  const places = Object.fromEntries(["voltage", "current", "temperature"].map((name) =>
    [name, element("div", { class: "plot", id: `plot-${name}` })]));
  places.reads = element("p", { class: "readout", id: "readout", "aria-live": "off" });
  const bar = zoomBar();
  const rest = element("div", { class: "beside" },
    element("section", { id: "ride-alarms" }, element("h2", {}, "Alarms"), sentences(marks), plainWords(ride)),
    element("section", { id: "ride-groups" }, ...groupTable(ride), ...chargeRecord(ride), ...standingRecord(ride)));
  const record = element("section", { id: "record" });
  const what = element("section", { class: "what-if", id: "what-if", hidden: "" });
  const of = element("p", { class: "quiet" }, `${ride.pack}${tells(ride)}`);
  const says = { title, pack: (name) => { of.textContent = `${name}${tells(ride)}`; } };
  body.replaceChildren(facts(ride), of, places.reads,
    element("div", { class: "plots" }, places.voltage, places.current, places.temperature), bar, what, rest, record);
  const offer = () => new RecordForm(record, ride, says).offer().catch((error) => { record.textContent = error.message; });
  if (chart === null) {
    places.reads.textContent = "No sample of this ride is stored.";
    bar.hidden = true;
    offer();
    return () => {};
  }
  const [{ Plots }] = await drawing;
  const plots = new Plots(places, { chart, names, limits, marks, duration_s: ride.duration_s }, finer(id, names));
  wire(bar, plots);
  new WhatIf(what, plots, ride, packs).offer();
  setTimeout(offer); // at the foot of the page, so after the plots are seen
  return () => plots.remove();
}
