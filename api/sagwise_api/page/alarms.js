// What stands now, putting it aside with an end, and what sounded. Law: an alarm that is put aside says until when and by
// itself speaks again; a last guard cannot be put aside.

import { get, post } from "./api.js";
import { clockOf, duration, shortDayOf } from "./dates.js";
import { button, confirmed, element, tell } from "./dom.js";
import { ruleWords } from "./reasons.js";
import { STALE_S, alarmDetail, alarmTitle, ordered } from "./words.js";

const SPANS = [[600, "10 min"], [3600, "1 h"], [28800, "8 h"]];
const STANDS = { unacknowledged: "not seen yet", acknowledged: "seen", return_unacknowledged: "over, not seen yet" };
const EVENTS = 200;
const TOLD = 30;
const SILENT = "It makes no sound here or on the bike until then. You can end that at any time.";

const keyOf = (alarm) => `${alarm.rule}/${alarm.group ?? ""}`;

class Alarms {
  constructor(body) {
    this.body = body;
    this.now = element("section", { id: "alarms-now" });
    this.past = element("section");
    this.shelvable = new Set();
    this.shown = null;
    this.mayChange = false;
  }

  async start(feed) {
    this.old = element("p", { class: "prose", role: "status", hidden: "" }, "No data comes from the bike. What is shown here may be over.");
    this.body.replaceChildren(this.old, this.now, this.past);
    const [me, { fitted }] = await Promise.all([get("/me"), get("/packs")]);
    this.mayChange = me.paired;
    const { rules } = await get(`/packs/${encodeURIComponent(fitted)}/settings`);
    this.shelvable = new Set(rules.filter((rule) => rule.shelvable).map((rule) => rule.rule));
    await this.showPast();
    this.leave = feed.watch((state, age, silent) => this.show(state, silent || age === null || age > STALE_S));
  }

  /** Drawn anew only when an alarm has come, gone or moved on, so that no button slips away under a finger. */
  show(state, stale) {
    this.old.hidden = !stale;
    const alarms = ordered(state.alarms);
    const shown = alarms.map((alarm) => `${keyOf(alarm)} ${alarm.state}`).join();
    if (shown !== this.shown) {
      if (this.shown !== null) this.showPast().catch(() => {}); // the list before stays
      this.shown = shown;
      this.cards = new Map(alarms.map((alarm) => [keyOf(alarm), this.card(alarm)]));
      this.now.replaceChildren(element("h2", {}, "Now"), ...[...this.cards.values()].map((card) => card.box));
      if (alarms.length === 0) this.now.append(element("p", { class: "empty" }, "No alarm stands."));
    }
    for (const alarm of alarms) this.cards.get(keyOf(alarm)).say.textContent = this.stands(alarm, state);
  }

  stands(alarm, state) {
    if (alarm.state === "return_unacknowledged") return STANDS[alarm.state]; // what is measured now is not what sounded
    if (alarm.state !== "shelved") return [alarmDetail(alarm), STANDS[alarm.state]].filter(Boolean).join("; ");
    const left = alarm.until_s === null ? null : alarm.until_s - (state.time_s ?? 0) - (state.age_s ?? 0);
    return left === null ? "shelved" : `shelved, speaks again in ${duration(Math.max(0, left))}`;
  }

  card(alarm) {
    const say = element("p", { class: "quiet" });
    const stands = alarm.state === "shelved" ? {} : { "data-level": alarm.priority };
    const box = element("div", { class: "alarm-card", "data-rule": alarm.rule, "data-state": alarm.state, ...stands },
      element("p", {}, element("b", {}, alarmTitle(alarm)), ` · ${alarm.priority} priority`), say, ...this.does(alarm));
    return { box, say };
  }

  does(alarm) {
    if (!this.mayChange) return [];
    if (alarm.state === "shelved") {
      return [element("div", { class: "buttons" }, button("End it", () => this.send(alarm, 0, `${alarmTitle(alarm)}: it speaks again.`)))];
    }
    if (!this.shelvable.has(alarm.rule)) return [element("p", { class: "quiet" }, "A last guard: it cannot be shelved.")];
    return [element("div", { class: "buttons", role: "group", "aria-label": `Shelve: ${alarmTitle(alarm)}` },
      element("span", {}, "Shelve for"), ...SPANS.map(([seconds, words]) => button(words, () => this.shelve(alarm, seconds, words), "tap small")))];
  }

  async shelve(alarm, seconds, words) {
    const end = clockOf(Date.now() / 1000 + seconds);
    if (!(await confirmed(`${alarmTitle(alarm)}: shelve it for ${words}?`, [ruleWords(alarm.rule)[1], SILENT], "Shelve it"))) return;
    await this.send(alarm, seconds, `Shelved until ${end}.`, () => this.send(alarm, 0, "Undone: it speaks again."));
  }

  async send(alarm, seconds, words, undo) {
    const group = alarm.group === null ? {} : { group: alarm.group };
    try {
      await post("/alarms/shelve", { rule: alarm.rule, duration_s: seconds, ...group });
      tell(this.body, words, undo);
    } catch (error) {
      tell(this.body, error.message);
    }
  }

  async showPast() {
    const { events } = await get(`/events?limit=${EVENTS}`);
    const raised = events.filter((event) => event.to === "unacknowledged").slice(0, TOLD);
    this.past.replaceChildren(element("h2", {}, "What sounded"), raised.length === 0
      ? element("p", { class: "empty" }, "Nothing has sounded yet.")
      : element("ul", { class: "changes" }, ...raised.map((event) => this.entry(event))));
  }

  entry(event) {
    const at = `${shortDayOf(event.stored_unix_s)}, ${clockOf(event.stored_unix_s)}`;
    const words = [at, alarmDetail(event)].filter(Boolean).join(" · ");
    const title = event.ride_id === null ? element("b", {}, alarmTitle(event))
      : element("a", { class: "event", href: `#/rides/${event.ride_id}` }, element("b", {}, alarmTitle(event)));
    return element("li", {}, title, element("span", {}, words));
  }
}

export async function showAlarms(body, feed) {
  const alarms = new Alarms(body);
  await alarms.start(feed);
  return () => alarms.leave();
}
