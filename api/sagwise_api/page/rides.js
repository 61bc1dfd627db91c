// The rides, by day. Law: the few figures that matter, a dash for what is not known; two that are ticked are compared.

import { get, post, remove } from "./api.js";
import { clockOf, dayOf, duration } from "./dates.js";
import { ahead, button, element, figure, stylesheet, tell } from "./dom.js";
import { energyOf, goingOn, kinds } from "./kinds.js";
import { volts } from "./words.js";

const PAGE = 50;
const RIDE = ["ride.js", "envelope.js", "groups.js", "marks.js", "record.js", "whatif.js", "plots.js", "gestures.js", "paint.js",
  "vendor/uplot/dist/uPlot.esm.js"]; // most who look at the list open one
const DELETED = ["deleted", "Deleted"];

class RideList {
  constructor(body) {
    this.body = body;
    this.picked = [];
    this.kind = "ride";
    this.list = element("div", { id: "ride-list" });
    this.foot = element("div", { class: "picked", role: "status", hidden: "" });
  }

  async start() {
    this.kinds = [...kinds];
    this.tabs = element("div", { class: "buttons", role: "group", "aria-label": "Kind of record" },
      ...this.kinds.map((kind) => this.tab(kind)));
    this.body.replaceChildren(this.tabs, this.list, this.foot);
    const asked = get("/me");
    await this.choose(this.kind);
    if ((await asked).paired) {
      this.kinds.push(DELETED);
      this.tabs.append(this.tab(DELETED));
    }
    ahead(RIDE);
    stylesheet("/page/vendor/uplot/dist/uPlot.min.css");
  }

  tab([kind, words]) {
    const made = button(words, () => this.choose(kind), "tap small");
    made.setAttribute("aria-pressed", String(kind === this.kind));
    return made;
  }

  async choose(kind) {
    this.kind = kind;
    [...this.tabs.children].forEach((tab, index) => tab.setAttribute("aria-pressed", String(this.kinds[index][0] === kind)));
    this.pick([]);
    try {
      const rides = await this.page(null);
      if (this.kind !== kind) return; // another tap came meanwhile: its list is the one to show
      this.days = new Map();
      this.list.replaceChildren();
      this.show(rides);
      if (rides.length === 0) this.list.append(element("p", { class: "empty" }, nothing(kind)));
      else if (kind === DELETED[0]) this.list.prepend(element("p", { class: "quiet" }, "These are in no other list. Bring one back and it counts again."));
    } catch (error) {
      if (this.kind === kind) this.list.replaceChildren(element("p", { class: "empty" }, error.message));
    }
  }

  async page(before) {
    const wanted = this.kind === DELETED[0] ? "deleted=true" : `kind=${this.kind}`;
    const { rides } = await get(`/rides?limit=${PAGE}&${wanted}${before ? `&before_id=${before}` : ""}`);
    return rides;
  }

  show(rides) {
    this.list.querySelector(".more")?.remove();
    for (const ride of rides) this.add(ride);
    if (rides.length === PAGE) this.list.append(button("Earlier", () => this.earlier(rides.at(-1).ride_id), "tap more"));
  }

  async earlier(before) {
    const { kind } = this;
    try {
      const rides = await this.page(before);
      if (this.kind === kind) this.show(rides);
    } catch (error) {
      tell(this.body, error.message);
    }
  }

  add(ride) {
    const day = ride.started_trusted ? dayOf(ride.started_unix_s) : "Clock was not set";
    if (!this.days.has(day)) {
      this.days.set(day, element("section", { class: "day" }, element("h2", {}, day)));
      this.list.append(this.days.get(day));
    }
    this.days.get(day).append(this.row(ride));
  }

  row(ride) {
    const clock = ride.started_trusted ? clockOf(ride.started_unix_s) : `${clockOf(ride.started_unix_s)}?`;
    if (ride.deleted) return this.deletedRow(ride, clock);
    const box = element("input", { type: "checkbox", "aria-label": `Compare the record of ${clock}` });
    box.addEventListener("change", () => this.tick(ride, box));
    return element("div", { class: "ride" }, link(ride, clock), element("label", { class: "pick" }, box, element("small", {}, "compare")));
  }

  deletedRow(ride, clock) {
    const row = element("div", { class: "ride deleted" }, link(ride, clock));
    row.append(button("Bring back", () => this.bringBack(ride, row), "tap small"));
    return row;
  }

  async bringBack(ride, row) {
    try {
      await post(`/rides/${ride.ride_id}/restore`, {});
      row.hidden = true;
      tell(this.body, "The record is back in its list.", async () => {
        await remove(`/rides/${ride.ride_id}`);
        row.hidden = false;
        tell(this.body, "The record is deleted again.");
      });
    } catch (error) {
      tell(this.body, error.message);
    }
  }

  tick(ride, box) {
    const kept = this.picked.filter((one) => one.ride !== ride);
    if (box.checked && kept.length === 2) kept.shift().box.checked = false;
    this.pick(box.checked ? [...kept, { ride, box }] : kept);
  }

  pick(picked) {
    this.picked = picked;
    this.foot.hidden = picked.length === 0;
    const two = picked.length === 2;
    const ids = picked.map((one) => one.ride.ride_id).sort((a, b) => a - b);
    this.foot.replaceChildren(element("span", {}, two ? "Two are ticked." : "Tick one more to compare."),
      ...(two ? [element("a", { class: "tap chosen", href: `#/compare/${ids.join("/")}` }, "Compare")] : []));
  }
}

function nothing(kind) {
  if (kind === "charge") return "No charge is kept yet.";
  if (kind === DELETED[0]) return "Nothing is deleted. What you delete is kept here, so that you can have it back.";
  if (kind === "standing") return "No time of standing is kept yet.";
  return "No ride yet. A ride begins by itself when you pull away.";
}

function link(ride, clock) {
  return element("a", { href: `#/rides/${ride.ride_id}` },
    element("span", { class: "when" }, element("b", {}, clock), element("small", {}, ride.name ?? duration(ride.duration_s) + goingOn(ride))),
    figure(ride.rest_min_v === null ? "–" : `${volts(ride.rest_min_v)} V`, "lowest rest"),
    figure(...energyOf(ride)),
    element("span", { class: ride.alarms > 0 ? "fig alarms some" : "fig alarms" },
      element("b", {}, String(ride.alarms)), element("small", {}, ride.alarms === 1 ? "alarm" : "alarms")));
}

export async function showRides(body) {
  await new RideList(body).start();
}
