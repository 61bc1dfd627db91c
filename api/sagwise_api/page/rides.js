// The rides, by day. Law: the few figures that matter, a dash for what is not known.

import { get } from "./api.js";
import { clockOf, dayOf, duration } from "./dates.js";
import { element, figure } from "./dom.js";
import { volts } from "./words.js";

const PAGE = 50;

function row(ride) {
  const energy = ride.energy_wh === null ? "–" : `${Math.round(ride.energy_wh)} Wh`;
  const going = ride.ended_by === null ? " · now" : "";
  const clock = ride.started_trusted ? clockOf(ride.started_unix_s) : `${clockOf(ride.started_unix_s)}?`;
  return element(
    "a", { class: "ride", href: `#/rides/${ride.ride_id}` },
    element("span", { class: "when" }, element("b", {}, clock), element("small", {}, duration(ride.duration_s) + going)),
    figure(ride.rest_min_v === null ? "–" : `${volts(ride.rest_min_v)} V`, "lowest rest"),
    figure(energy, "used"),
    element("span", { class: ride.alarms > 0 ? "fig alarms some" : "fig alarms" },
      element("b", {}, String(ride.alarms)), element("small", {}, ride.alarms === 1 ? "alarm" : "alarms")),
  );
}

function append(list, rides, days) {
  for (const ride of rides) {
    const day = ride.started_trusted ? dayOf(ride.started_unix_s) : "Clock was not set";
    if (!days.has(day)) {
      const section = element("section", { class: "day" }, element("h2", {}, day));
      days.set(day, section);
      list.insertBefore(section, list.querySelector(".more"));
    }
    days.get(day).append(row(ride));
  }
}

async function load(list, days, before) {
  const { rides } = await get(`/rides?limit=${PAGE}${before ? `&before_id=${before}` : ""}`);
  list.querySelector(".more")?.remove();
  append(list, rides, days);
  if (rides.length === PAGE) {
    const more = element("button", { class: "tap more", type: "button" }, "Earlier rides");
    more.addEventListener("click", () => load(list, days, rides.at(-1).ride_id));
    list.append(more);
  }
  return rides.length;
}

export async function showRides(list) {
  const fresh = document.createElement("div");
  try {
    const count = await load(fresh, new Map(), null);
    if (count === 0) fresh.append(element("p", { class: "empty" }, "No ride yet. A ride begins by itself when you pull away."));
  } catch (error) {
    fresh.append(element("p", { class: "empty" }, error.message));
  }
  list.replaceChildren(...fresh.childNodes);
}
