// Alarm events as numbered marks with sentences. Law: one mark for each time a rule was raised.

import { intoRide } from "./dates.js";
import { alarmDetail, alarmTitle } from "./words.js";

const LATER = {
  acknowledged: (event) => (event.by === "button" ? "seen by the button" : "seen on the page"),
  return_unacknowledged: () => "over",
  normal: () => "over",
  shelved: () => "shelved",
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
