// A pose that is changed by hand: with the paddle, a joint's slider, or buttons that shift the TCP.
import { frames } from "./arms.js";
import { units } from "./units.js";

const RADIAN = Math.PI / 180;
const SOLVES_EVERY = 25; // ms: no more than 40 solves a second are asked for
const NEAR = 0.1; // mm: nearer than this, a place counts as reached

export class Posing {
  constructor(app) {
    this.app = app;
    this.held = null; // {arm, q}: joint angles, rad, under the hand
    this.found = null; // what was solved last in this drag
    this.wanted = null;
    this.solving = false;
    this.solves = 0;
  }

  // A pose that was asked for and is not yet in the file stays in sight.
  show() {
    const posed = this.app.marked?.posed;
    if (posed) this.app.picture.setArm(posed.arm, posed.q);
  }

  turn(arm, i, degrees) {
    const { marked, routine, picture } = this.app;
    const taught = routine.sheet.steps[marked.step].pose_deg[arm].map((d) => d * RADIAN);
    const q = [...(marked.posed?.arm === arm ? marked.posed.q : taught)];
    q[i] = degrees * RADIAN;
    picture.setArm(arm, q);
    this.held = { arm, q };
    marked.posed = this.held;
  }

  // While the paddle is dragged: the newest place is solved, older ones that wait are dropped.
  drag(place) {
    this.wanted = { place, drag: this.app.picture.dragged };
    if (!this.solving) this.solve();
  }

  async solve() {
    const { app } = this;
    this.solving = true;
    while (this.wanted) {
      const { place, drag } = this.wanted;
      this.wanted = null;
      const near = (this.held?.arm === place.arm ? this.held.q : app.picture.part(place.arm)).map((x) => x / RADIAN);
      try {
        const found = await app.wire.ask("solve", { ...place, near_deg: near });
        if (!drag.cancelled) await this.dragTo(place.arm, found);
      } catch (error) {
        app.say(error.message, "bad");
      }
      if (this.wanted) await new Promise((done) => setTimeout(done, SOLVES_EVERY));
    }
    this.solving = false;
    this.settle?.();
  }

  async dragTo(arm, found) {
    const { app } = this;
    this.held = { arm, q: found.q_deg.map((d) => d * RADIAN) };
    this.solves += 1;
    if (app.teaching?.going) await app.wire.ask("lead", { arm, pose_deg: found.q_deg, ms: 150 });
    else app.picture.setArm(arm, this.held.q);
    this.found = found;
    app.tell.textContent = found.short_mm > NEAR ? `cannot reach: ${units.number(found.short_mm, "mm", 1)} short`
      : found.beyond_deg > 0 ? `past a stop by ${found.beyond_deg.toFixed(1)}°` : "";
  }

  // What the paddle or a slider held is let go. moved: whether it shall be written.
  async dropped(arm, moved) {
    const { app } = this;
    const { marked } = app;
    if (!moved) this.wanted = null;
    else if (this.solving) await new Promise((done) => (this.settle = done));
    this.settle = null;
    app.tell.textContent = "";
    const { held, found } = this;
    this.held = this.found = null;
    if (app.teaching?.going) return;
    const far = found?.short_mm > NEAR;
    if (moved && far) app.say(`The ${arm} arm cannot reach there: ${units.number(found.short_mm, "mm", 1)} short. The pose was left as it is.`, "bad");
    if (!moved || far) {
      app.picture.show(app.picture.time);
      this.show();
      return;
    }
    if (!held || !marked || marked !== app.marked) return;
    const posed = { arm, q: held.q };
    marked.posed = posed;
    await app.edit({ edit: "pose", step: marked.step, arm, pose_deg: held.q.map((x) => x / RADIAN) }, { pose: arm, posed });
  }

  // So many mm along an axis of the bench, from where the pose is when its turn comes.
  shift(arm, axis, by) {
    const { app } = this;
    const routine = app.chosen;
    const make = async (step) => {
      const pose = app.routine?.sheet.steps[step]?.pose_deg[arm];
      if (!pose) return undefined;
      const { tool } = frames(app.bench.arms[arm], pose.map((d) => d * RADIAN));
      const p = [...tool.p];
      p[axis] += by;
      const found = await app.ask("solve", { arm, R: tool.R, p_mm: p, near_deg: pose });
      if (!found) return null;
      if (found.short_mm > NEAR) {
        app.say(`The ${arm} arm cannot reach there: ${units.number(found.short_mm, "mm", 1)} short. The pose was left as it is.`, "bad");
        return null;
      }
      return { do: "edit", edit: "pose", routine, step, arm, pose_deg: found.q_deg };
    };
    return app.edits.add({ step: app.marked.step, make });
  }
}
