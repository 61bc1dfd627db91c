// Puts the page together. Law: the address after # says what is shown; the live feed runs whatever is shown.

import { Feed } from "./feed.js";
import { LiveView } from "./live.js";
import { showRides } from "./rides.js";
import { startTheme } from "./theme.js";

const views = document.querySelectorAll("main[data-view]");
let leave = () => {};

function route() {
  const [, name = "", id] = location.hash.split("/");
  if (name === "rides" && /^\d+$/.test(id ?? "")) return ["ride", Number(id)];
  return [name === "rides" ? "rides" : "live", null];
}

async function show() {
  const [name, id] = route();
  leave();
  leave = () => {};
  for (const view of views) view.hidden = view.dataset.view !== name;
  window.scrollTo(0, 0);
  if (name === "rides") await showRides(document.getElementById("ride-list"));
  if (name === "ride") {
    const { showRide } = await import("./ride.js"); // the chart library is fetched only when a ride is opened
    leave = await showRide(id);
  }
}

startTheme();
const live = new LiveView(document.getElementById("live"));
new Feed((state, age, silent) => live.show(state, age, silent)).start();
window.addEventListener("hashchange", show);
show();
