// The packs, which one is fitted, and their limits. Law: nothing changes without a confirmed save; all of it is listed.

import { get, post } from "./api.js";
import { clockOf, shortDayOf } from "./dates.js";
import { button, confirmed, element, tell } from "./dom.js";
import { cautionWords, keyWords, ruleWords, unitWords } from "./reasons.js";

const PRIORITIES = ["high", "medium", "low"];

const path = (name) => `/packs/${encodeURIComponent(name)}`;
const same = (a, b) => a === b || (typeof a === "number" && typeof b === "number" && Math.abs(a - b) < 1e-9);

function shown(value) {
  if (value === true) return "yes";
  if (value === false) return "no";
  return value === null ? "–" : String(value).replace("-", "−");
}

class PackView {
  constructor(body) {
    this.body = body;
    this.cards = element("section");
    this.rules = element("section");
    this.log = element("section");
  }

  async start() {
    this.me = await get("/me");
    this.body.replaceChildren(this.cards, this.rules, this.log);
    await this.load();
  }

  async load(name) {
    this.name = name ?? this.name; // before the bike is asked: the last tap decides, not the last answer
    const { packs, fitted } = await get("/packs");
    this.fitted = fitted;
    this.name ??= fitted;
    this.cards.replaceChildren(element("h2", {}, "Packs"), ...packs.map((pack) => this.card(pack)));
    await Promise.all([this.loadRules(), this.loadLog()]);
  }

  card(pack) {
    const fitted = pack.name === this.fitted;
    const facts = `${pack.series} groups, ${pack.parallel === 1 ? "one cell" : `${pack.parallel} cells`} each, ${pack.chemistry}, ${pack.capacity_ah}\u00a0Ah`;
    const choose = fitted || !this.me.paired ? null : button("Fit this", () => this.fit(pack));
    const name = element("button", { class: "choice", type: "button", "aria-pressed": String(pack.name === this.name) }, pack.name);
    name.addEventListener("click", () => this.load(pack.name).catch((error) => tell(this.body, error.message)));
    return element("div", { class: fitted ? "pack-card fitted" : "pack-card" },
      element("p", {}, name, fitted ? " is fitted" : ""), element("p", { class: "quiet" }, facts), choose);
  }

  async fit(pack) {
    const lines = [`The bike will judge every reading as one of ${pack.name}.`,
      "A wrong pack has wrong limits: be sure that this one is plugged in."];
    if (!(await confirmed(`Fit ${pack.name}?`, lines, "Fit it"))) return;
    await this.send(() => post("/packs/fit", { pack: pack.name }), `${pack.name} is fitted.`);
  }

  async loadRules() {
    const settings = await get(`${path(this.name)}/settings`);
    if (settings.pack !== this.name) return; // another pack was chosen meanwhile
    this.shown = settings.pack;
    this.cautions = settings.cautions;
    const open = new Set([...this.rules.querySelectorAll("details[open]")].map((one) => one.dataset.rule));
    this.rules.replaceChildren(element("h2", {}, `Limits of ${settings.pack}`),
      ...settings.cautions.map((words) => element("p", { class: "second-look" }, element("b", {}, "Caution. "), cautionWords(words))),
      ...settings.rules.map((rule) => this.rule(rule, open.has(rule.rule))));
  }

  rule(rule, open) {
    const [title, why] = ruleWords(rule.rule);
    const limit = rule.keys.find((key) => key.key === rule.limit_key);
    const enabled = rule.keys.find((key) => key.key === "enabled").value;
    const now = !enabled ? "not in use" : limit ? `${shown(limit.value)} ${unitWords(rule)}` : "in use";
    const own = rule.keys.some((key) => !same(key.value, key.filed));
    const details = element("details", { class: "setting", "data-rule": rule.rule },
      element("summary", {}, element("b", {}, title), element("span", { class: own ? "now own" : "now" }, now)),
      element("p", { class: "quiet" }, why));
    const fill = () => { if (details.open && !details.querySelector("form")) details.append(this.form(rule, title)); };
    details.addEventListener("toggle", fill);
    details.open = open;
    return details;
  }

  form(rule, title) {
    const inputs = new Map(rule.keys.map((key) => [key.key, this.input(rule, key)]));
    const save = element("button", { class: "tap chosen", type: "submit", disabled: "" }, "Save");
    const form = element("form", { novalidate: "" }, ...rule.keys.map((key) => this.field(rule, key, inputs.get(key.key))),
      this.me.paired ? save : element("p", { class: "quiet" }, "Pair this phone to change anything."));
    const changed = () => rule.keys.filter((key) => !same(valueOf(inputs.get(key.key), key), key.value));
    form.addEventListener("input", () => { save.disabled = changed().length === 0; });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.save(rule, title, changed().map((key) => [key, valueOf(inputs.get(key.key), key)]));
    });
    return form;
  }

  input(rule, key) {
    const id = `${rule.rule}-${key.key}`;
    if (typeof key.filed === "boolean") {
      const box = element("input", { id, type: "checkbox" });
      box.checked = key.value;
      return box;
    }
    if (key.key === "priority") {
      const select = element("select", { id }, ...PRIORITIES.map((word) => element("option", { value: word }, word)));
      select.value = key.value;
      return select;
    }
    const attributes = { id, type: "number", step: "any", inputmode: "decimal", min: String(key.low), max: String(key.high) };
    const number = element("input", attributes);
    number.value = key.value === null ? "" : String(key.value);
    return number;
  }

  field(rule, key, input) {
    const [label, why] = keyWords(rule, key);
    const range = key.low === null ? "" : ` Allowed: ${shown(key.low)} to ${shown(key.high)}.`;
    const filed = same(key.value, key.filed) ? "" : ` The pack’s file says ${shown(key.filed)}.`;
    input.disabled = !this.me.paired;
    input.setAttribute("aria-describedby", `${input.id}-why`);
    return element("div", { class: "field" }, element("label", { for: input.id }, label), input,
      element("p", { class: "quiet", id: `${input.id}-why` }, `${why}${range}${filed}`));
  }

  async save(rule, title, values) {
    const pack = this.shown; // whose limits were read, whatever is chosen by the time they are saved
    const lines = values.map(([key, value]) => `${keyWords(rule, key)[0]}: ${shown(key.value)} becomes ${shown(value)}.`);
    if (!rule.shelvable) lines.push("This is a last guard: behind it nothing else warns you.");
    if (!(await confirmed(`${title}: save?`, lines, "Save"))) return;
    const body = { rule: rule.rule, values: Object.fromEntries(values.map(([key, value]) => [key.key, value])) };
    await this.send(() => post(`${path(pack)}/changes`, body), `${title} is saved.`);
  }

  /** Sends a change; says what came of it and what it makes worth a second look, with the way back. */
  async send(sending, words) {
    try {
      const [change, before] = [await sending(), this.cautions];
      await this.load();
      const fresh = this.cautions.filter((caution) => !before.includes(caution)).map(cautionWords);
      tell(this.body, [words, ...fresh].join(" "), () => this.send(() => post(`/changes/${change.change_id}/undo`, {}), "Undone."));
    } catch (error) {
      tell(this.body, error.message);
    }
  }

  async loadLog() {
    if (!this.me.paired) return;
    const { changes } = await get("/changes");
    this.log.replaceChildren(element("h2", {}, "What was changed"), changes.length === 0
      ? element("p", { class: "empty" }, "Nothing was changed here. All is as the pack’s file has it.")
      : element("ul", { class: "changes" }, ...changes.map((change) => this.entry(change))));
  }

  entry(change) {
    const what = Object.entries(change.values).map(([key, { before, after }]) =>
      `${change.rule === null ? "fitted" : keyWords({ rule: change.rule, unit: "" }, { key })[0].replace(/, $/, "")}: ${shown(before)} → ${shown(after)}`);
    const title = change.rule === null ? "Pack" : `${ruleWords(change.rule)[0]}, ${change.pack}`;
    const undone = change.undone ? " · undone" : change.undoes === null ? "" : " · an undo";
    const back = change.undone || change.undoes !== null || !this.me.paired ? null
      : button("Undo", () => this.send(() => post(`/changes/${change.change_id}/undo`, {}), "Undone."), "tap small");
    return element("li", {}, element("b", {}, `${title}: ${what.join("; ")}`),
      element("span", {}, `${shortDayOf(change.unix_s)}, ${clockOf(change.unix_s)}, by ${change.device}${undone}`), back);
  }
}

function valueOf(input, key) {
  if (typeof key.filed === "boolean") return input.checked;
  if (key.key === "priority") return input.value;
  return input.value.trim() === "" ? null : Number(input.value);
}

export async function showPack(body) {
  await new PackView(body).start();
}
