// What a person says of a record: its name and a note; taking it away, with the way back. Law: saved only when asked.

import { change, get, post, remove } from "./api.js";
import { button, confirmed, element, tell } from "./dom.js";

export class RecordForm {
  constructor(section, ride, title) {
    this.section = section;
    this.ride = ride;
    this.title = title;
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
    this.name.value = this.ride.name ?? "";
    this.note = element("textarea", { id: "record-note", rows: "3", maxlength: "4000" });
    this.note.value = this.ride.note ?? "";
    this.save = button("Save", () => this.keep(), "tap chosen");
    this.save.disabled = true;
    for (const field of [this.name, this.note]) field.addEventListener("input", () => { this.save.disabled = false; });
    this.section.replaceChildren(element("h2", {}, "This record"),
      element("div", { class: "said" }, element("label", { for: "record-name" }, "Name"), this.name,
        element("label", { for: "record-note" }, "Note"), this.note),
      element("div", { class: "buttons" }, this.save, report, button("Delete", () => this.takeAway())));
  }

  async keep() {
    this.save.disabled = true;
    const before = { name: this.ride.name, note: this.ride.note };
    const wish = { name: this.name.value.trim() || null, note: this.note.value };
    await this.send(wish, "Saved.", () => this.send(before, "Undone."));
  }

  async send(wish, words, undo) {
    try {
      this.ride = { ...this.ride, ...(await change(`/rides/${this.ride.ride_id}`, wish)) };
      this.name.value = this.ride.name ?? "";
      this.note.value = this.ride.note;
      if (this.ride.name) this.title(this.ride.name);
      tell(this.section, words, undo);
    } catch (error) {
      this.save.disabled = false;
      tell(this.section, error.message);
    }
  }

  async takeAway() {
    const lines = ["It is gone from every list. You can have it back here, or by the command line later."];
    if (!(await confirmed("Delete this record?", lines, "Delete"))) return;
    try {
      await remove(`/rides/${this.ride.ride_id}`);
      tell(this.section, "The record is deleted.", async () => {
        await post(`/rides/${this.ride.ride_id}/restore`, {});
        tell(this.section, "The record is back.");
      });
    } catch (error) {
      tell(this.section, error.message);
    }
  }
}
