// Alarm events as numbered marks with sentences. Law: one mark for each time a rule was raised.

import { intoRide } from "./dates.js";
import { alarmDetail, alarmTitle } from "./words.js";

const SEEN = { button: "seen by the button", page: "seen on the page" };
const LATER = {
  acknowledged: (event) => SEEN[event.by] ?? "seen with a group before it",
  return_unacknowledged: () => "over",
  normal: () => "over",
  shelved: () => "shelved",
  suppressed_by_design: () => "put aside for a lead or reading fault",
};

export function secondsIn(event, ride) {
  return event.ride_s ?? event.stored_unix_s - ride.started_unix_s;
}

/** Marks in the order of time: {number, at_s, priority, sentence}. `events` come newest first, as the API gives them. */
export function marksOf(events, ride) {
  const marks = [];
  const open = new Map();
  for (const event of [...events].reverse()) {
    const key = `${event.rule}/${event.group ?? ""}`;
    const at = secondsIn(event, ride);
    if (event.to === "unacknowledged") {
      const detail = alarmDetail(event);
      const mark = { number: marks.length + 1, at_s: at, priority: event.priority,
        title: alarmTitle(event), parts: detail ? [detail] : [] };
      marks.push(mark);
      open.set(key, mark);
    } else if (open.has(key) && LATER[event.to]) {
      open.get(key).parts.push(`${LATER[event.to](event)} at ${intoRide(at)}`);
    }
  }
  return marks;
}
