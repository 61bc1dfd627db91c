// Kinds of record in words. Law: one table; what a newer bike may add is shown by its own name.

const KINDS = { ride: "Rides", charge: "Charges", standing: "Standing" };
const ENDS = {
  power: "ended when the power went", link: "ended when the board fell silent", ride: "ended by pulling away",
  charge: "ended by charging", import: "brought in from a file", stopped: "ended with the program",
};

export const kinds = Object.entries(KINDS);

/** For a list: only the record of the board that is connected now goes on now. */
export function goingOn(ride) {
  if (ride.now) return " · now";
  return ride.ended_by === null ? " · no end yet" : "";
}

/** [amount, where it went] of a record's energy, which is net: a long descent puts some in, as a charger does. */
export function energyOf({ energy_wh: wh, kind }) {
  if (wh === null || wh === undefined) return ["–", kind === "charge" ? "put in" : "used"];
  return [`${Math.round(Math.abs(wh))} Wh`, wh < 0 ? "put in" : "used"];
}

/** What else there is to say of a record: how it ended, whether it is thinned, its note. */
export function tells(ride) {
  const parts = [];
  if (ride.now) parts.push("goes on now");
  else if (ride.ended_by === null) parts.push("has no end yet");
  else if (ENDS[ride.ended_by]) parts.push(ENDS[ride.ended_by]);
  if (ride.thinned) parts.push("thinned to the extremes of every 2 s");
  if (ride.note) parts.push(ride.note);
  return parts.map((part) => ` · ${part}`).join("");
}
