// How far it goes, in words. Law: "enough" only when it is enough after the doubt is taken off and a margin kept.

const SURE = 1.64; // one in twenty that there is less

function why(state) {
  if (state.current_a === null) return "no current is measured";
  return state.rest_v.every((value) => value === null) ? "no rest voltage yet" : "too little is known yet";
}

/** {left, home, note, verdict: "enough"|"likely"|"close"|"short"|"unknown"} from a live state. */
export function reach(state) {
  const left = state.energy_left_wh;
  if (left === null) return { left: "– Wh", verdict: "unknown", home: "not known", note: why(state) };
  const words = `${Math.max(0, Math.round(left))} Wh`;
  const home = state.energy_home_wh;
  if (home === null) return { left: words, verdict: "unknown", home: "way home not known", note: "no power measured" };
  const takes = `home takes ${Math.round(home)} Wh`;
  if (home < 1) return { left: words, verdict: "enough", home: "at home", note: "the way out is counted" };
  const wanted = (1 + state.home_margin) * home; // as the rule to turn back has it
  const sure = left - SURE * (state.energy_left_sigma_wh ?? 0);
  if (sure >= wanted) return { left: words, verdict: "enough", home: "enough for home", note: takes };
  if (left >= wanted) return { left: words, verdict: "likely", home: "likely enough for home", note: `${takes}, not sure` };
  if (left >= home) return { left: words, verdict: "close", home: "just enough for home", note: takes };
  return { left: words, verdict: "short", home: "not enough for home", note: takes };
}
