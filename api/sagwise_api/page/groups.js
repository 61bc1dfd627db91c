// Every group of a ride in a table. Law: each against the pack's median, and the odd one told in a sentence.

import { duration, intoRide } from "./dates.js";
import { element } from "./dom.js";
import { volts } from "./words.js";

const ODD_RATIO = 1.25;
const OTHERS = 1.6; // the bar of a group like the others ends at the middle or so

const or = (value, words) => (value === null || value === undefined ? "–" : words(value));

function bar(ratio, most) {
  const track = element("span", { class: "track" });
  if (ratio === null || ratio === undefined) return track;
  const fill = element("i");
  fill.style.width = `${Math.min(100, (100 * ratio) / most)}%`;
  const median = element("em");
  median.style.left = `${100 / most}%`;
  track.append(fill, median);
  return track;
}

function row(group, odd, most) {
  return element("tr", odd ? { class: "odd" } : {},
    element("td", {}, String(group.group)),
    element("td", { class: "bar-cell" }, bar(group.resistance_ratio, most)),
    element("td", {}, or(group.resistance_25c_mohm ?? group.resistance_mohm, (v) => v.toFixed(1))),
    element("td", {}, or(group.sag_v, (v) => v.toFixed(2))),
    element("td", {}, or(group.rest_end_v, volts)));
}

function rows(summary, most) {
  return summary.groups.flatMap((group) => {
    const weakest = summary.weakest?.group === group.group && summary.weakest.reason !== "none";
    const odd = weakest || group.resistance_ratio >= ODD_RATIO;
    const made = [row(group, odd, most)];
    if (weakest) {
      made.push(element("tr", { class: "odd say" }, element("td"), element("td", { colspan: "4" }, summary.weakest.words)));
      made[1].firstElementChild.style.background = "none";
    }
    return made;
  });
}

export function groupTable(ride) {
  const { summary } = ride;
  if (!summary?.groups?.length) return [];
  const most = Math.max(OTHERS, ...summary.groups.map((group) => group.resistance_ratio ?? 0));
  const at = summary.sag_current_a ? `sag at ${Math.round(summary.sag_current_a)} A, V` : "sag, V";
  const heads = ["group", "resistance, dashed: median", "mΩ", at, "rest at end, V"];
  const table = element("table", { class: "groups" },
    element("thead", {}, element("tr", {}, ...heads.map((words) => element("th", { scope: "col" }, words)))),
    element("tbody", {}, ...rows(summary, most)));
  const title = element("h2", {}, "Groups");
  if (summary.weakest && summary.weakest.reason !== "none") return [title, table];
  const words = summary.weakest?.words ?? "Nothing is known that would tell one group from another.";
  return [title, table, element("p", { class: "quiet" }, words)];
}

/** What a plain buzzer would have done on this ride. */
export function plainWords(ride) {
  const plain = ride.summary?.plain_buzzer;
  if (!plain) return null;
  const first = plain.first_s === null ? "" : `, first at ${intoRide(plain.first_s)}`;
  const early = plain.before_low > 0 ? ` At ${plain.before_low} of them no group was low.` : "";
  return element("p", { class: "prose" }, plain.sounded === 0
    ? `A plain buzzer at ${volts(plain.limit_v)} V would have kept still.`
    : `A plain buzzer at ${volts(plain.limit_v)} V would have shrieked ${times(plain.sounded)}${first}.${early}`);
}

function times(count) {
  return count === 1 ? "once" : `${count} times`;
}

function list(numbers) {
  return numbers.length === 0 ? "none" : numbers.join(", ");
}

export function chargeRecord(ride) {
  const charge = ride.summary?.charge;
  if (!charge) return [];
  const full = charge.groups.map((group) => group.full_s).filter((at) => at !== null);
  const wait = full.length > 1 ? ` The last was full ${duration(Math.max(...full) - Math.min(...full))} after the first.` : "";
  return [element("h2", {}, "Charge"),
    element("p", { class: "prose" }, `${or(charge.charge_ah, (v) => `${v.toFixed(1)} Ah`)} went in over ${duration(charge.duration_s)}. `
      + `At the end the groups were ${or(charge.end_spread_v, (v) => `${(1000 * v).toFixed(0)} mV`)} apart.`),
    element("p", { class: "prose" }, `First full: ${list(charge.first_full)}. Last full: ${list(charge.last_full)}.${wait}`)];
}

export function standingRecord(ride) {
  const stood = ride.summary?.standing ?? ride.summary?.since_before;
  if (!stood) return [];
  const title = ride.summary.standing ? "Standing" : "Stood before this";
  return [element("h2", {}, title), element("p", { class: "prose" }, stood.words)];
}
