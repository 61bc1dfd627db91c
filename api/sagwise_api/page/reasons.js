// Why each setting is what it is. Law: one short sentence a key; what is common practice is not called a standard.

export const RULE_WORDS = {
  rest_low: ["Low at rest", "Warns when a group would read less than this after a minute’s rest. Sag does not count."],
  loaded_floor: ["Floor under load", "The last guard. Below it cells are harmed, whatever the load."],
  resistance_high: ["Group resists more", "A joint or a cell that fails shows as a group that resists more than the others."],
  spread_high: ["Groups far apart", "Groups that rest far apart want balancing."],
  overvoltage: ["Over full", "Above its full voltage a cell can catch fire."],
  temperature_high: ["Pack too hot", "Hot cells age fast, and past this they can run away."],
  temperature_low: ["Pack very cold", "Very cold cells sag deep and age under load."],
  charge_cold: ["Charging while cold", "A cell that is charged while frozen is harmed for good."],
  overcurrent: ["Current too high", "More than the maker allows heats the cells from within."],
  sense_open: ["Sense lead open", "A loose lead reads nonsense. It must not pass for a low group."],
  sense_crossed: ["Sense leads crossed", "Crossed leads read as one group high and the next low."],
  reading_stuck: ["Reading stuck", "A reading that never moves comes from a fault of the board."],
  current_sensor: ["Current sensor wrong", "Without a true current sag cannot be told from low."],
  link_lost: ["No data from the board", "Silence is an alarm too: no data means no guard."],
  turn_back: ["Turn back", "Warns while there is still enough energy to ride home."],
  storage: ["Recording at risk", "Warns when rides cannot be stored, or the disk is nearly full."],
  clock_unset: ["Clock not set", "Without the time rides cannot be dated."],
};

const LIMIT_WHY = {
  rest_low: "About a tenth of the charge is left there; it depends on the cell’s make.",
  loaded_floor: "The empty voltage that the cell’s maker states.",
  resistance_high: "Half as much again as the others is no scatter any more. Common practice.",
  spread_high: "A tenth of a volt at rest is more than good cells differ. Common practice.",
  overvoltage: "The full voltage and 0.03 V for the meter’s error.",
  temperature_high: "Makers allow up to 60 °C while discharging.",
  temperature_low: "Makers allow down to −20 °C while discharging.",
  charge_cold: "Makers forbid charging below 0 °C.",
  overcurrent: "A tenth above what the maker states, so that a short pull stays quiet.",
  link_lost: "The board speaks at least twice a second; after 1 s something is wrong.",
  turn_back: "Fifteen in a hundred more than the way out took. Common practice.",
};

const KEY_WORDS = {
  deadband: ["Back over it by", "It ends only well clear of the limit, so that it does not flutter."],
  on_delay_s: ["For at least, s", "It must last this long, so that a dip of a moment stays quiet."],
  off_delay_s: ["Over for, s", "It must be over this long before it ends."],
  re_alarm_s: ["Speak again after, s", "Once seen, it speaks again after this long. 0: never."],
  priority: ["Priority", "High: act now. Medium: act soon. Low: look at the next stop."],
  latching: ["Stays until seen", "Even when it is over, it stays until you acknowledge it."],
  enabled: ["In use", "Out of use it is not watched at all."],
};

const UNIT_WORDS = { V: "V", degC: "°C", s: "s", 1: "times", A: "A" };

// What a plain ratio is of.
const RATIO_OF = {
  turn_back: "of the way home",
  overcurrent: "times the maker’s",
  resistance_high: "times the others’",
};

/** The unit of a rule's limit: {rule, unit}. */
export const unitWords = ({ rule, unit }) => RATIO_OF[rule] ?? UNIT_WORDS[unit] ?? unit;

/** [label, reason] of a key of a rule. */
export function keyWords(rule, key) {
  if (KEY_WORDS[key.key]) return KEY_WORDS[key.key];
  return [`Limit, ${unitWords(rule)}`, LIMIT_WHY[rule.rule] ?? ""];
}

export function ruleWords(rule) {
  return RULE_WORDS[rule] ?? [rule.replaceAll("_", " "), ""];
}

/** A caution with the rules' names of this page in place of the keys of a pack file. */
export function cautionWords(words) {
  return words.replace(/alarm\.([a-z_]+)(\.[a-z_]+)?/g, (_, rule) => `“${ruleWords(rule)[0]}”`);
}
