// Edits, one after another: what is pressed quickly waits for what was pressed before it. Each is of the step that was
// in sight when it was pressed, wherever that step has got to since.
import { units } from "./units.js";

function said(what, did, gone) {
  const begins = { undo: "Taken back: ", redo: "Done again: " }[what];
  const words = begins ? begins + did : did[0].toUpperCase() + did.slice(1);
  const lost = gone.length ? ` With it, ${gone.join(" and ")} ${gone.length > 1 ? "are" : "is"} gone; ${what === "undo" ? "Redo" : "Undo"} brings ${gone.length > 1 ? "them" : "it"} back.` : "";
  return units.words(`${words}.${lost}`);
}

// Where step n stands after an edit; null where it is gone.
export function stepAfter(edit, n) {
  const { step: a, to } = edit;
  if (edit.edit === "move") {
    if (n === a) return to;
    return n + (n < a && n >= to ? 1 : 0) - (n > a && n <= to ? 1 : 0);
  }
  if (edit.edit === "drop") return n === a ? null : n - (n > a ? 1 : 0);
  return n + ((edit.edit === "double" || edit.edit === "wait") && n > a ? 1 : 0);
}

export class Edits {
  constructor(app) {
    this.app = app;
    this.waiting = [];
    this.going = null;
    this.ended = Promise.resolve();
  }

  // A wish: make(step) says what the desk is asked, undefined where nothing is left to do, null where it was refused.
  // pose: of another one that waits, of the same step and arm, only the newer is of use. once: not again while it waits.
  add(wish) {
    const { going, waiting } = this;
    if (wish.once && [going, ...waiting].some((w) => w?.once === wish.once)) return this.ended;
    const last = waiting.at(-1);
    if (wish.pose && last?.pose === wish.pose && last.step === wish.step) waiting.pop();
    waiting.push(wish);
    if (!going) this.ended = this.work();
    return this.ended;
  }

  // What waits is not done any more: it was asked of another state of the files.
  forget() {
    const count = this.waiting.length;
    this.waiting = [];
    if (count) this.app.say(`${count} ${count === 1 ? "edit that waited was" : "edits that waited were"} not done: look at what is there now, then do it again.`, "bad");
  }

  async work() {
    const { app } = this;
    while (this.waiting.length) {
      const wish = this.waiting.shift();
      this.going = wish;
      const { marked } = app;
      const edit = await wish.make(wish.step);
      if (edit === undefined) continue;
      const done = edit && (await app.ask(edit.do, { ...edit, version: app.routine?.version }));
      if (marked?.posed && marked.posed === wish.posed) marked.posed = null;
      if (done) this.follow(edit, marked, done);
      else {
        this.forget();
        if (app.motion) app.picture.show(app.picture.time);
      }
      app.draw(); // what was refused does not stay in its field
    }
    this.going = null;
  }

  follow(edit, marked, { did, gone }) {
    const { app } = this;
    if (did) app.say(said(edit.do, did, gone));
    if (edit.do !== "edit") return;
    for (const wish of this.waiting) if (wish.step !== undefined) wish.step = stepAfter(edit, wish.step);
    this.waiting = this.waiting.filter((wish) => wish.step !== null);
    if (!marked || marked !== app.marked) return;
    marked.step = stepAfter(edit, marked.step) ?? marked.step;
    app.keepMark();
    app.outline();
  }
}
