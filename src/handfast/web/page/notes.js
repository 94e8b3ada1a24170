// Notes over the page: what went well goes by itself; what went wrong stays until it is closed.
import { h } from "./dom.js";

const MOST = { bad: 3, said: 2 };
const STAYS = 9000; // ms

export class Notes {
  constructor() {
    // What went wrong interrupts a screen reader, the rest waits.
    this.said = h("div", { role: "status" });
    this.bad = h("div", { role: "alert" });
    this.at = h("div", { class: "notes" }, this.bad, this.said);
  }

  clear() {
    this.bad.replaceChildren();
    this.said.replaceChildren();
  }

  // about: what it is about, where a new note takes the place of those before; none pushes away one about STOP.
  say(text, kind, about) {
    for (const one of about ? this.at.querySelectorAll(`[data-about="${about}"]`) : []) one.remove();
    const note = h("p", { class: `note is-${kind}`, "data-about": about || null }, h("span", {}, text),
      h("button", { class: "plain", onclick: () => note.remove() }, "Close"));
    const list = kind === "bad" ? this.bad : this.said;
    list.append(note);
    if (kind !== "bad") setTimeout(() => note.remove(), STAYS);
    const old = [...list.querySelectorAll(".note:not([data-about=stop])")];
    for (const one of old.slice(0, Math.max(0, old.length - (MOST[kind] || MOST.said)))) one.remove();
  }
}
