// What the page says. Law: plain words, 30 characters at most for the line, and never "fine" while anything is open.

export const LATE_S = 1;
export const STALE_S = 2.6; // with a look every 0.25 s the figure is grey before the third second is over
export const LINE_MAX = 30;
const NEAR_LIMIT_V = 0.1;
const RESTING_A = 2;
const SAG_SHOWN_V = 0.02; // less is the reading's own step

const LEVELS = ["high", "medium", "low"];
const STATES = ["unacknowledged", "acknowledged", "return_unacknowledged", "shelved"];

// title: with the group where the rule has one; line: what to do.
const RULES = {
  rest_low: { title: "low at rest", line: "low at rest: head home" },
  loaded_floor: { title: "under the floor", line: "under the floor: ease off" },
  resistance_high: { title: "resists more", line: "a joint or cell fails: ease off" },
  spread_high: { title: "Groups far apart", line: "groups far apart: balance" },
  overvoltage: { title: "over full", line: "over full: stop charging" },
  temperature_high: { title: "Pack too hot", line: "too hot: stop, let it cool" },
  temperature_low: { title: "Pack very cold", line: "very cold: ride gently" },
  charge_cold: { title: "Charging while cold", line: "too cold to charge: stop it" },
  overcurrent: { title: "Current too high", line: "current too high: ease off" },
  sense_open: { title: "sense lead open", line: "sense lead open: check it" },
  sense_crossed: { title: "sense leads crossed", line: "sense leads crossed: fix" },
  reading_stuck: { title: "reading stuck", line: "reading stuck: check board" },
  current_sensor: { title: "Current sensor wrong", line: "current sensor: check it" },
  link_lost: { title: "No data from the board", line: "no data: trust no figure" },
  turn_back: { title: "Turn back now", line: "turn back now" },
  storage: { title: "Recording at risk", line: "rides may not be recorded" },
  clock_unset: { title: "Clock not set", line: "clock not set: pair a phone" },
};

const UNITS = { V: "V", degC: "°C", A: "A", s: "s", 1: "times" };

export function volts(value) {
  return value === null || value === undefined ? "–" : value.toFixed(2);
}

export function amount(value, unit) {
  if (value === null || value === undefined) return "–";
  const word = UNITS[unit] ?? unit;
  const digits = word === "V" || word === "times" ? 2 : word === "A" ? 0 : 1;
  return `${value.toFixed(digits).replace("-", "−")} ${word}`.trim();
}

function percent(part) {
  return `${String(Math.round(part * 100)).replace("-", "−")} %`;
}

function margin({ value, limit }) {
  return value < 0 ? `${percent(-value)} too little for home` : `${percent(value)} more than home takes, ${percent(limit)} wanted`;
}

export function ageWords(age) {
  if (age === null) return "no data yet";
  if (age < LATE_S) return "now";
  return age < 60 ? `${age.toFixed(age < 10 ? 1 : 0)} s old` : `${Math.min(99, Math.floor(age / 60))} min old`;
}

export function alarmTitle(alarm) {
  const title = RULES[alarm.rule]?.title ?? alarm.rule.replaceAll("_", " ");
  if (alarm.group === null) return title[0].toUpperCase() + title.slice(1);
  return `Group ${alarm.group} ${title[0].toLowerCase()}${title.slice(1)}`;
}

export function alarmDetail(alarm) {
  if (alarm.value === null || (alarm.unit === "1" && alarm.limit === null)) return "";
  if (alarm.rule === "turn_back") return margin(alarm);
  if (alarm.rule === "link_lost") return `silent for ${amount(alarm.value, alarm.unit)}, limit ${amount(alarm.limit, alarm.unit)}`;
  const how = alarm.basis === null ? "" : ` ${alarm.basis === "rest" ? "at rest" : "loaded"}`;
  const limit = alarm.limit === null ? "" : `, limit ${amount(alarm.limit, alarm.unit)}`;
  return `${amount(alarm.value, alarm.unit)}${how}${limit}`;
}

/** Alarms in the order a rider needs them: unacknowledged before the rest, then by priority, then the oldest. */
export function ordered(alarms) {
  const shown = alarms.filter((alarm) => STATES.includes(alarm.state));
  return shown.sort(
    (a, b) =>
      STATES.indexOf(a.state) - STATES.indexOf(b.state) ||
      LEVELS.indexOf(a.priority) - LEVELS.indexOf(b.priority) ||
      a.since_s - b.since_s,
  );
}

/** The group the figure is of: {group, basis: "rest"|"loaded"|"none", value, sigma, sag, reason}. */
export function lowest(state) {
  const rest = lowestOf(state.rest_v);
  if (rest >= 0) {
    const loaded = state.loaded_v[rest];
    const value = state.rest_v[rest];
    const sag = loaded === null ? null : value - loaded;
    return { group: rest + 1, basis: "rest", value, sigma: state.rest_sigma_v[rest], sag, reason: null };
  }
  const loaded = lowestOf(state.loaded_v);
  const reason = state.unknown.find((why) => why !== null) ?? "rest voltage not known yet";
  if (loaded < 0) return { group: null, basis: "none", value: null, sigma: null, sag: null, reason };
  return { group: loaded + 1, basis: "loaded", value: state.loaded_v[loaded], sigma: null, sag: null, reason };
}

function lowestOf(values) {
  let found = -1;
  values.forEach((value, index) => {
    if (value !== null && (found < 0 || value < values[found])) found = index;
  });
  return found;
}

function fine(state, figure) {
  const current = state.current_a;
  if (figure.value - state.rest_limit_v < NEAR_LIMIT_V) return "near the limit: plan for home";
  if (current !== null && current < -RESTING_A) return `fine, charging at ${Math.round(-current)} A`;
  if (figure.sag === null) return "fine, loaded reading missing";
  if (current !== null && current < RESTING_A) return "fine, at rest";
  if (current === null && figure.sag < SAG_SHOWN_V) return "fine, no sag";
  const sag = Math.max(0, figure.sag).toFixed(2);
  return current === null ? `fine, sags ${sag} V` : `fine, sags ${sag} V at ${Math.round(current)} A`;
}

function unknownLine(state) {
  const without = state.rest_v.flatMap((value, index) => (value === null ? [index + 1] : []));
  if (without.length === 0) return null;
  if (without.length === 1) return `group ${without[0]} has no rest figure`;
  return `${without.length} groups have no rest figure`;
}

function openLine(alarm) {
  const words = RULES[alarm.rule]?.line ?? alarm.rule.replaceAll("_", " ");
  return words.length <= LINE_MAX ? words : words.slice(0, LINE_MAX);
}

/** The one line under the figure. `age` is in seconds, null before the first sample. */
export function meaning(state, age) {
  if (age === null) return "waiting for the board";
  if (age > STALE_S) return `no data for ${age < 6000 ? Math.round(age) : "over 5999"} s`;
  const figure = lowest(state);
  const open = ordered(state.alarms).find((alarm) => ["unacknowledged", "acknowledged"].includes(alarm.state));
  if (open) return openLine(open);
  if (figure.basis !== "rest") {
    return figure.reason.length <= LINE_MAX ? figure.reason : "rest voltage not known yet";
  }
  if (ordered(state.alarms).some((alarm) => alarm.state === "shelved")) return "an alarm is shelved";
  return unknownLine(state) ?? fine(state, figure);
}

/** What the state line says: {level, flash, title, detail, open}. `silent`: this page hears nothing from the bike. */
export function stateLine(state, age, silent) {
  if (silent) {
    return { level: "medium", flash: false, title: "This page has no data", detail: "trust the wired buzzer", open: false };
  }
  const alarms = ordered(state.alarms);
  if (alarms.length === 0) return quiet(state, age);
  const [first, ...others] = alarms;
  const open = alarms.some((alarm) => ["unacknowledged", "return_unacknowledged"].includes(alarm.state));
  const more = others.length === 0 ? "" : `, and ${others.length} more`;
  const told = standing(first, state, age === null || age > STALE_S);
  return { ...told, open, detail: `${told.detail}${more}` };
}

function quiet(state, age) {
  if (state.link === "up" && age !== null && age <= STALE_S) {
    return { level: "normal", flash: false, title: "No alarm", detail: state.pack, open: false };
  }
  const title = state.link === "waiting" ? "Waiting for the board" : "No data from the board";
  return { level: "none", flash: false, title, detail: "check plug and power", open: false };
}

/** What is stale is the last that was heard: its limit gives room to those words. */
function lastHeard(alarm) {
  const value = alarm.rule === "turn_back" ? "" : alarmDetail({ ...alarm, limit: null });
  return value === "" ? "as last heard" : `last heard: ${value}`;
}

/** The alarm is judged by the rest voltage less its doubt; beside a figure that differs it says so. */
function besideTheFigure(alarm, state) {
  const rest = alarm.basis === "rest" && alarm.group !== null ? state.rest_v[alarm.group - 1] : null;
  if (rest === null || alarm.value === null || volts(rest) === volts(alarm.value)) return alarmDetail(alarm);
  return `may be ${amount(alarm.value, "V")}, limit ${amount(alarm.limit, "V")}`;
}

function standing(alarm, state, stale) {
  const title = alarmTitle(alarm);
  const detail = stale && alarm.rule !== "link_lost" ? lastHeard(alarm) : besideTheFigure(alarm, state);
  if (alarm.state === "unacknowledged") return { level: alarm.priority, flash: true, title, detail };
  if (alarm.state === "acknowledged") {
    return { level: alarm.priority, flash: false, title, detail: [detail, "seen"].filter(Boolean).join(", ") };
  }
  if (alarm.state === "shelved") return { level: "none", flash: false, title, detail: "shelved: no sound" };
  return { level: "none", flash: false, title, detail: "over now, not yet seen" };
}

const lack = (weak) => (weak.capacity_percent === null ? 0 : 100 - weak.capacity_percent);

/** The group that holds the pack back most, and why: "group 7: 20 % less charge than the others"; "" without one. */
export function weakLine(state) {
  const [worst, ...others] = [...state.weak].sort((a, b) => lack(b) - lack(a) || b.resistance_percent - a.resistance_percent);
  if (worst === undefined) return "";
  const less = `${Math.round(lack(worst))} % less charge`;
  const more = `resists ${Math.round(worst.resistance_percent)} % more`;
  const why = { capacity: `${less} than the others`, resistance: `${more} than the others`, both: `${less}, ${more}` };
  return `group ${worst.group}: ${why[worst.short_of]}${others.length === 0 ? "" : `; ${others.length} more`}`;
}
