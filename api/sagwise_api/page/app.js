// Puts the page together. Law: the address after # says what is shown; the live feed runs whatever is shown.

import { SILENT_BIKE, get, post } from "./api.js";
import { Feed } from "./feed.js";
import { LiveView } from "./live.js";
import { button, element, stylesheet } from "./dom.js";
import { startTheme } from "./theme.js";

// What the bench shows, by the first part of the address. Modules come only when they are wanted: the glance is first.
const BENCH = {
  rides: { tab: "rides", title: "Rides", load: () => import("./rides.js"), show: (m, ids, body) => m.showRides(body) },
  compare: { tab: "rides", title: "Two rides", back: "#/rides", load: () => import("./compare.js"), show: (m, ids, body) => m.showComparison(ids, body) },
  packs: { tab: "health", title: "Two packs", back: "#/health", load: () => import("./compare.js"), show: (m, ids, body) => m.showPacks(ids, body) },
  alarms: { tab: "alarms", title: "Alarms", load: () => import("./alarms.js"), show: (m, ids, body) => m.showAlarms(body, feed) },
  health: { tab: "health", title: "Health", load: () => import("./health.js"), show: (m, ids, body) => m.showHealth(body) },
  pack: { tab: "pack", title: "Pack", load: () => import("./pack.js"), show: (m, ids, body) => m.showPack(body) },
  access: { tab: "access", title: "Access", load: () => import("./access.js"), show: (m, ids, body) => m.showAccess(body) },
  ride: { tab: "rides", title: "Ride", back: "#/rides", load: () => import("./ride.js"), show: (m, ids, body, title) => m.showRide(ids[0], body, title) },
};

const live = document.getElementById("live");
const bench = document.getElementById("bench");
let leave = () => {};
let turn = 0;
const TIME_AFTER_MS = 3000;

function decoded(part) {
  try { return decodeURIComponent(part); } catch { return part; } // typed by hand
}

function route() {
  const [, name = "", ...rest] = location.hash.split("/");
  if (name === "packs") return [name, rest.filter(Boolean).map(decoded)];
  const ids = rest.filter((part) => /^\d+$/.test(part)).map(Number);
  if (name === "rides" || name === "ride") return [ids.length > 0 ? "ride" : "rides", ids];
  return [name, ids];
}

async function show() {
  const [name, ids] = route();
  const view = BENCH[name];
  const mine = ++turn;
  leave();
  leave = () => {};
  if (view !== undefined) {
    await stylesheet("/page/bench.css"); // only here: the glance is first
    if (mine !== turn) return;
  }
  live.hidden = view !== undefined;
  bench.hidden = view === undefined;
  window.scrollTo(0, 0);
  if (view === undefined) return;
  frame(view);
  const body = element("div", { id: "bench-body", "data-view": name });
  document.getElementById("bench-body").replaceWith(body);
  const left = await opened(view, ids, body);
  if (mine === turn) leave = left ?? leave;
  else left?.(); // the reader has gone on meanwhile
}

/** A view's file may be refused too, when the session is over: asking the bike once more then leads to pairing. */
async function opened(view, ids, body) {
  try {
    return await view.show(await view.load(), ids, body, title);
  } catch (error) {
    console.info(error.message);
    const words = error instanceof TypeError ? SILENT_BIKE : error.message; // a file that does not come is told in the browser's words
    body.replaceChildren(element("p", { class: "empty" }, words), element("div", { class: "buttons" }, button("Try again", show)));
    await get("/me").catch(() => {});
    return null;
  }
}

function title(words) {
  document.getElementById("bench-title").textContent = words;
  document.title = `sagwise: ${words}`;
}

/** A view without a way back of its own is one of the tabs. */
function frame(view) {
  title(view.title);
  const button = bench.querySelector(".back");
  button.href = view.back ?? "#/";
  button.textContent = { "#/rides": "Rides", "#/health": "Health" }[view.back] ?? "Live";
  const tabs = document.getElementById("bench-tabs");
  tabs.hidden = view.back !== undefined;
  for (const tab of tabs.children) {
    if (tab.hash === `#/${view.tab}`) tab.setAttribute("aria-current", "page");
    else tab.removeAttribute("aria-current");
  }
}

/** A bike without a network does not know the time; a paired phone does. Done after the first figures are shown. */
async function tellTime() {
  try {
    const { device, clock } = await get("/me");
    if (device !== null && clock.set_by === "nothing") await post("/time", { unix_s: Date.now() / 1000 });
  } catch (error) {
    console.info(error.message); // the rides are dated later
  }
}

startTheme();
const glance = new LiveView(live);
const feed = new Feed((state, age, silent) => glance.show(state, age, silent));
feed.start();
window.addEventListener("hashchange", show);
show();
setTimeout(tellTime, TIME_AFTER_MS);
