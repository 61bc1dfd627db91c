// Who may look and who may change. Law: every phone is listed, and each can be sent away.

import { get, post, remove } from "./api.js";
import { clockOf, shortDayOf } from "./dates.js";
import { button, confirmed, element, tell } from "./dom.js";

const WHY = "The wired buzzer is the first alarm: it sounds with no phone at all. A phone is the second. "
  + "It can sleep, lose the Wi-Fi, run flat or lie in a pocket.";

const CLOCK = {
  nothing: "Nobody has told the bike what time it is.",
  network: "The time comes from a network.",
  phone: "A paired phone has set the time.",
  computer: "The bike’s own computer says what time it is.",
};

const when = (unixS) => `${shortDayOf(unixS)}, ${clockOf(unixS)}`;

class Access {
  constructor(body) {
    this.body = body;
  }

  async start() {
    this.me = await get("/me");
    const { devices } = this.me.paired ? await get("/devices") : { devices: [] };
    this.body.replaceChildren(...(this.me.paired ? this.phones(devices) : stranger()), ...this.clock(),
      element("h2", {}, "Two alarms"), element("p", { class: "prose" }, WHY));
  }

  phones(devices) {
    const mine = this.me.device === null ? "This is the bike’s own computer: it needs no pairing." : `This is ${this.me.device}.`;
    const rows = devices.map((device) => element("li", {},
      element("b", {}, device.this ? `${device.name} (this one)` : device.name),
      element("span", {}, `paired ${when(device.paired_unix_s)}, last seen ${when(device.seen_unix_s)}`),
      button("Unpair", () => this.unpair(device))));
    const others = this.me.anyone_may_look ? "Anyone on the bike’s Wi-Fi may look, and change nothing." : "Other phones see the pairing page and nothing else.";
    return [element("h2", {}, "Paired phones"), element("p", { class: "prose" }, `${mine} ${others}`),
      rows.length === 0 ? element("p", { class: "empty" }, "No phone is paired.") : element("ul", { class: "changes" }, ...rows)];
  }

  async unpair(device) {
    const lines = [device.this ? "This phone will see the pairing page again." : `${device.name} will see the pairing page again.`];
    if (!(await confirmed(`Unpair ${device.name}?`, lines, "Unpair"))) return;
    try {
      await remove(`/devices/${device.device_id}`);
      if (device.this) location.reload();
      else await this.start();
    } catch (error) {
      tell(this.body, error.message);
    }
  }

  clock() {
    const { clock } = this.me;
    const off = Math.round(clock.unix_s - Date.now() / 1000);
    const here = this.me.paired && this.me.device === null ? "this computer" : "this phone";
    const words = Math.abs(off) < 5 ? `It agrees with ${here}.` : `It differs from ${here} by ${Math.abs(off)} s.`;
    const set = button(`Set it by ${here}`, () => this.setClock());
    const may = this.me.paired && clock.set_by !== "network";
    return [element("h2", {}, "The bike’s clock"),
      element("p", { class: "prose" }, `${CLOCK[clock.set_by]} ${words}`),
      ...(may ? [element("div", { class: "buttons" }, set)] : [])];
  }

  async setClock() {
    try {
      await post("/time", { unix_s: Date.now() / 1000 });
      await this.start();
      tell(this.body, "The bike’s clock is set.");
    } catch (error) {
      tell(this.body, error.message);
    }
  }
}

function stranger() {
  return [element("h2", {}, "Not paired"),
    element("p", { class: "prose" }, "This phone may look. To acknowledge or change anything, pair it with the bike’s code."),
    element("div", { class: "buttons" }, element("a", { class: "tap chosen", href: "/page/pair.html" }, "Pair this phone"))];
}

export async function showAccess(body) {
  await new Access(body).start();
}
