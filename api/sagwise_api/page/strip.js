// The rest line. Law: what a group would read at rest is a level, its sag hangs from it, and the limits are rules.
//
// One stepped line joins the levels; each drop ends at the loaded voltage. Throttle moves the drops, only emptiness
// moves the line. Geometry tells the weak group; colour is left to the alarms.

const SVG = "http://www.w3.org/2000/svg";
const BELOW_FLOOR_V = 0.12;
const ABOVE_FULL_V = 0.06;
const ROOM = { top: 18, bottom: 30, right: 62 }; // the right margin holds the limits' names, clear of the drops
const MIN_NUMBER_PX = 17;
const FIGURE_PX = 20;
const NAME_PX = 38; // what a limit's figure and name take; nearer than that the figure alone is shown

function make(name, attributes, parent) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent.append(element);
  return element;
}

function set(element, attributes) {
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
}

function hatch(svg) {
  const pattern = make("pattern", { id: "ground", width: 7, height: 7, patternUnits: "userSpaceOnUse",
    patternTransform: "rotate(45)" }, make("defs", {}, svg));
  make("line", { x1: 0, y1: 0, x2: 0, y2: 7, class: "hatch" }, pattern);
}

export class Strip {
  constructor(section) {
    this.section = section;
    this.svg = make("svg", { role: "img" }, section);
    hatch(this.svg);
    this.ground = make("rect", { class: "ground", fill: "url(#ground)" }, this.svg);
    this.drops = make("g", {}, this.svg);
    this.rules = make("g", {}, this.svg);
    this.line = make("path", { class: "rest-line" }, this.svg);
    this.labels = make("g", {}, this.svg);
    this.groups = [];
    this.last = null;
    new ResizeObserver(() => this.last && this.draw(...this.last)).observe(section);
  }

  /** `lowest` is the group of the figure, `marked` a Map from group to the priority of its open alarm. */
  draw(state, lowest, marked, stale) {
    this.last = [state, lowest, marked, stale];
    const width = this.section.clientWidth;
    const height = this.section.clientHeight;
    if (width < 40 || height < 40) return;
    this.scale(state, width, height);
    this.build(state.loaded_v.length);
    set(this.svg, { viewBox: `0 0 ${width} ${height}`, width, height, "aria-label": this.sentence(state) });
    this.section.dataset.stale = stale ? "yes" : "no";
    this.drawRules(state);
    this.drawLine(state);
    this.groups.forEach((group, index) => this.drawGroup(group, index, state, index + 1 === lowest, marked));
  }

  scale(state, width, height) {
    const low = state.floor_v - BELOW_FLOOR_V;
    const high = state.full_v + ABOVE_FULL_V;
    const span = height - ROOM.top - ROOM.bottom;
    this.slot = (width - ROOM.right) / state.loaded_v.length;
    this.bottom = height - ROOM.bottom;
    this.width = width;
    this.y = (v) => Math.min(this.bottom, Math.max(ROOM.top, ROOM.top + ((high - v) / (high - low)) * span));
    this.x = (index) => index * this.slot;
  }

  build(count) {
    if (this.groups.length === count) return;
    this.drops.replaceChildren();
    this.labels.replaceChildren();
    this.groups = Array.from({ length: count }, () => ({
      drop: make("rect", { class: "drop" }, this.drops),
      end: make("path", { class: "end" }, this.drops),
      box: make("rect", { class: "box", rx: 2 }, this.labels),
      number: make("text", { class: "number", "text-anchor": "middle" }, this.labels),
    }));
  }

  drawRules(state) {
    const rules = [
      ["full", state.full_v, "full"],
      ["limit", state.rest_limit_v, "rest limit"],
      ["floor", state.floor_v, "floor"],
    ];
    if (this.rules.childNodes.length === 0) {
      for (const [name] of rules) {
        make("line", { class: `rule ${name}` }, this.rules);
        const text = make("text", { class: `rule-name ${name}`, "text-anchor": "end" }, this.rules);
        make("tspan", { class: "value", dy: -5 }, text);
        make("tspan", { dy: 20 }, text);
      }
    }
    const heights = rules.map(([, value]) => this.y(value));
    rules.forEach(([, value, words], index) => {
      const y = heights[index];
      const last = index + 1 === rules.length;
      const room = last || heights[index + 1] - y > NAME_PX;
      const below = last && y - heights[index - 1] < FIGURE_PX; // above the floor's rule there is no room for its figure
      set(this.rules.childNodes[2 * index], { x1: 0, x2: this.width, y1: y, y2: y });
      const text = this.rules.childNodes[2 * index + 1];
      set(text, { y });
      text.firstChild.setAttribute("dy", below ? 16 : -5);
      [value.toFixed(2), room && !below ? words : ""].forEach((part, at) => {
        set(text.childNodes[at], { x: this.width });
        text.childNodes[at].textContent = part;
      });
    });
    const floor = this.y(state.floor_v);
    set(this.ground, { x: 0, y: floor, width: this.width - ROOM.right, height: Math.max(0, this.bottom - floor) });
  }

  drawLine(state) {
    let path = "";
    let pen = false;
    state.rest_v.forEach((rest, index) => {
      if (rest === null) { pen = false; return; }
      const y = this.y(rest).toFixed(1);
      path += `${pen ? "V" : `M${this.x(index).toFixed(1)} `}${y}H${this.x(index + 1).toFixed(1)}`;
      pen = true;
    });
    this.line.setAttribute("d", path);
  }

  drawGroup(group, index, state, isLowest, marked) {
    const rest = state.rest_v[index];
    const loaded = state.loaded_v[index];
    const middle = this.x(index) + this.slot / 2;
    const half = Math.min(this.slot * 0.3, 13);
    const kind = rest === null ? "loaded-only" : loaded !== null && loaded > rest ? "rise" : "drop";
    const top = this.y(Math.max(rest ?? loaded ?? 0, loaded ?? rest ?? 0));
    const foot = this.y(Math.min(rest ?? loaded ?? 0, loaded ?? rest ?? 0));
    const none = loaded === null;
    set(group.drop, { x: middle - half, width: 2 * half, y: top, height: none ? 0 : foot - top,
      class: `drop ${kind}${isLowest ? " lowest" : ""}` });
    group.drop.dataset.sagV = none || rest === null ? "" : (rest - loaded).toFixed(3);
    const y = none ? 0 : this.y(loaded);
    const box = `M${middle - half} ${y - 3}h${2 * half}v6h${-2 * half}z`;
    const bar = kind === "loaded-only" ? box : `M${middle - half} ${y}h${2 * half}`;
    set(group.end, { d: none ? "" : bar, class: `end ${kind}` });
    this.drawNumber(group, index, middle, isLowest, marked.get(index + 1), none);
  }

  drawNumber(group, index, middle, isLowest, level, none) {
    const every = Math.ceil(MIN_NUMBER_PX / this.slot);
    const shown = isLowest || level || none || every === 1 || (index + 1) % every === 0;
    const words = !shown ? "" : none ? "–" : String(index + 1);
    if (group.number.textContent !== words) group.number.textContent = words;
    const strong = isLowest || level;
    set(group.number, { x: middle, y: this.bottom + 20, class: `number${strong ? " strong" : ""}`,
      "data-level": level ?? "" });
    const wide = Math.max(this.slot - 2, 22);
    set(group.box, { x: middle - wide / 2, y: this.bottom + 4, width: strong ? wide : 0, height: 24,
      "data-level": level ?? "" });
  }

  sentence(state) {
    const sags = state.rest_v.flatMap((rest, index) =>
      rest === null || state.loaded_v[index] === null ? [] : [[rest - state.loaded_v[index], index + 1]]);
    if (sags.length === 0) return `${state.loaded_v.length} groups, rest voltage not known`;
    const [sag, group] = sags.reduce((a, b) => (b[0] > a[0] ? b : a));
    return `${state.loaded_v.length} groups; group ${group} sags most, ${sag.toFixed(2)} V`;
  }
}
