// Kinds of record in words. Law: one table; what a newer bike may add is shown by its own name.

const KINDS = { ride: "Rides", charge: "Charges", standing: "Standing" };
const ENDS = {
  power: "ended when the power went", link: "ended when the board fell silent", ride: "ended by pulling away",
  charge: "ended by charging", import: "brought in from a file", stopped: "ended with the program",
};

export const kinds = Object.entries(KINDS);

/** What else there is to say of a record: how it ended, whether it is thinned, its note. */
export function tells(ride) {
  const parts = [];
  if (ride.ended_by === null) parts.push("goes on now");
  else if (ENDS[ride.ended_by]) parts.push(ENDS[ride.ended_by]);
  if (ride.thinned) parts.push("thinned to the extremes of every 2 s");
  if (ride.note) parts.push(ride.note);
  return parts.map((part) => ` · ${part}`).join("");
}
