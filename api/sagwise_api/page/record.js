// What a person says of a record: its name, a note, the pack that it really was; taking it away, with the way back. Law: saved only when asked.

import { change, get, post, remove } from "./api.js";
import { button, confirmed, element, tell } from "./dom.js";

export class RecordForm {
  /** says: {title(words), pack(name)}, told when a name or another pack was saved. */
  constructor(section, ride, says) {
    this.section = section;
    this.ride = ride;
    this.says = says;
  }

  async offer() {
    if (this.ride.ended_by === null) return;
    const { paired } = await get("/me");
    const report = element("a", { class: "tap", href: `/api/v1/rides/${this.ride.ride_id}/report`, download: "" }, "Report to keep");
    if (!paired) {
      this.section.replaceChildren(element("h2", {}, "This record"), element("div", { class: "buttons" }, report));
      return;
    }
    this.name = element("input", { id: "record-name", type: "text", maxlength: "64" });
    this.note = element("textarea", { id: "record-note", rows: "3", maxlength: "4000" });
    this.pack = await packChoice(this.ride);
    this.fill();
    this.save = button("Save", () => this.keep(), "tap chosen");
    this.save.disabled = true;
    for (const field of [this.name, this.note, this.pack]) field.addEventListener("input", () => { this.save.disabled = false; });
    this.section.replaceChildren(element("h2", {}, "This record"),
      element("div", { class: "said" }, element("label", { for: "record-name" }, "Name"), this.name,
        element("label", { for: "record-note" }, "Note"), this.note,
        element("label", { for: "record-pack" }, "Pack"), this.pack, element("p", { class: "quiet" }, packWords(this.pack))),
      element("div", { class: "buttons" }, this.save, report));
    this.offerOther();
  }

  async keep() {
    this.save.disabled = true;
    const before = { name: this.ride.name, note: this.ride.note };
    const wish = { name: this.name.value.trim() || null, note: this.note.value };
    const other = this.pack.value !== this.ride.pack;
    if (other) [before.pack, wish.pack] = [this.ride.pack, this.pack.value];
    const words = other ? `Saved: the ride now counts for ${wish.pack}.` : "Saved.";
    await this.send(wish, words, () => this.send(before, "Undone."));
  }

  async send(wish, words, undo) {
    try {
      const typed = this.typed();
      this.ride = { ...this.ride, ...(await change(`/rides/${this.ride.ride_id}`, wish)) };
      if (this.typed() === typed) this.fill(); // what is typed meanwhile stays, to be saved next
      this.says.pack(this.ride.pack);
      if (this.ride.name) this.says.title(this.ride.name);
      tell(this.section, words, undo);
    } catch (error) {
      this.save.disabled = false;
      tell(this.section, error.message);
    }
  }

  typed() {
    return JSON.stringify([this.name.value, this.note.value, this.pack.value]);
  }

  fill() {
    this.name.value = this.ride.name ?? "";
    this.note.value = this.ride.note ?? "";
    this.pack.value = this.ride.pack;
  }

  /** Deletes the record or brings it back, whichever is the other of what it is now. */
  offerOther() {
    const other = this.ride.deleted ? button("Bring back", () => this.bringBack()) : button("Delete", () => this.takeAway());
    if (this.other === undefined) this.section.lastElementChild.append(other);
    else this.other.replaceWith(other);
    this.other = other;
  }

  async takeAway() {
    const lines = ["It is gone from every list but that of the deleted ones. You can have it back from there."];
    if (!(await confirmed("Delete this record?", lines, "Delete"))) return;
    try {
      await remove(`/rides/${this.ride.ride_id}`);
      this.ride = { ...this.ride, deleted: true };
      this.offerOther();
      tell(this.section, "The record is deleted.", () => this.bringBack());
    } catch (error) {
      tell(this.section, error.message);
    }
  }

  async bringBack() {
    try {
      await post(`/rides/${this.ride.ride_id}/restore`, {});
      this.ride = { ...this.ride, deleted: false };
      this.offerOther();
      tell(this.section, "The record is back.");
    } catch (error) {
      tell(this.section, error.message);
    }
  }
}

/** Packs with as many groups that rides are kept of. */
async function packChoice(ride) {
  const { packs } = await get("/packs/known");
  const names = packs.filter((pack) => pack.series === ride.series).map((pack) => pack.name);
  const select = element("select", { id: "record-pack" },
    ...[...new Set([ride.pack, ...names])].map((name) => element("option", { value: name }, name)));
  select.value = ride.pack;
  select.disabled = select.length < 2;
  return select;
}

function packWords(select) {
  return select.disabled ? "No ride of another pack with as many groups is kept." : "If another pack was in the bike, say so here.";
}
