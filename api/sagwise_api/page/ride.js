// One ride on the bench. Law: one time axis and one cursor for all plots; the strong line is the lowest rest voltage.

import { get, getBytes } from "./api.js";
import { Plots } from "./plots.js";
import { clockOf, duration, intoRide, shortDayOf } from "./dates.js";
import { element, figure } from "./dom.js";
import { decode, held } from "./envelope.js";
import { marksOf } from "./marks.js";
import { volts } from "./words.js";

const WANTED = ["loaded_v", "rest_v", "current_a"];
const HELD_S = { loaded_v: 0.6, rest_v: 1.6, current_a: 0.6 }; // a board sends at least twice a second, estimates come once

async function load(id) {
  const [ride, { channels }, { events }, packs] = await Promise.all([
    get(`/rides/${id}`), get(`/rides/${id}/channels`), get(`/rides/${id}/events?limit=1000`), get("/packs"),
  ]);
  const names = WANTED.filter((name) => channels.includes(name));
  const points = Math.min(800, Math.max(200, Math.round(window.innerWidth)));
  const chart = names.length === 0 || ride.samples === 0 ? null
    : withoutHoles(decode(await getBytes(`/rides/${id}/chart?channels=${names.join(",")}&points=${points}`)), names);
  return { ride, events, names, chart, limits: limitsOf(packs, ride) };
}

function withoutHoles({ time, low, high }, names) {
  const hold = (values, index) => held(time, values, HELD_S[names[index]]);
  return { time, low: low.map(hold), high: high.map(hold) };
}

function limitsOf(packs, ride) {
  const rules = packs.packs.find((pack) => pack.name === ride.pack)?.rules ?? [];
  const limit = (name) => rules.find((rule) => rule.rule === name && rule.enabled)?.limit ?? null;
  return { rest_v: limit("rest_low"), floor_v: limit("loaded_floor") };
}

function facts(ride) {
  const or = (value, words) => (value === null ? "–" : words(value));
  return element("p", { class: "ride-facts" },
    figure(duration(ride.duration_s), "duration"),
    figure(or(ride.rest_min_v, (v) => `${volts(v)} V`), "lowest rest"),
    figure(or(ride.loaded_min_v, (v) => `${volts(v)} V`), "lowest loaded"),
    figure(or(ride.energy_wh, (v) => `${Math.round(v)} Wh`), "used"),
    figure(or(ride.current_max_a, (v) => `${Math.round(v)} A`), "most current"),
    figure(or(ride.distance_m, (v) => `${(v / 1000).toFixed(1)} km`), "distance"));
}

function sentences(marks) {
  if (marks.length === 0) return element("p", { class: "empty" }, "No alarm on this ride.");
  return element("ol", { class: "marks" }, ...marks.map((mark) =>
    element("li", { id: `mark-${mark.number}`, "data-level": mark.priority },
      element("span", { class: "disc" }, String(mark.number)),
      element("p", {}, element("b", {}, `${mark.title} at ${intoRide(mark.at_s)}`),
        element("span", {}, mark.parts.join("; "))))));
}

function readout(id) {
  return element("p", { class: "readout", id, "aria-live": "off" });
}

function titled(ride) {
  const clock = `${shortDayOf(ride.started_unix_s)}, ${clockOf(ride.started_unix_s)}`;
  return ride.started_trusted ? clock : `${clock} (clock not set)`;
}

/** Shows the ride; the function that comes back takes the plots down. */
export async function showRide(id) {
  const body = document.getElementById("ride-body");
  const title = document.getElementById("ride-title");
  title.textContent = `Ride ${id}`;
  body.replaceChildren(element("p", { class: "empty" }, "Reading the ride"));
  let loaded;
  try {
    loaded = await load(id);
  } catch (error) {
    body.replaceChildren(element("p", { class: "empty" }, error.message));
    return () => {};
  }
  const { ride, events, chart, names, limits } = loaded;
  const marks = marksOf(events, ride);
  title.textContent = titled(ride);
  const voltage = element("div", { class: "plot", id: "plot-voltage" });
  const current = element("div", { class: "plot", id: "plot-current" });
  const reads = readout("readout");
  body.replaceChildren(facts(ride), element("p", { class: "pack-name" }, ride.pack), reads,
    element("div", { class: "plots" }, voltage, current), sentences(marks));
  if (chart === null) {
    reads.textContent = "No sample of this ride is stored.";
    return () => {};
  }
  const plots = new Plots({ voltage, current, reads }, { chart, names, limits, marks });
  return () => plots.remove();
}
