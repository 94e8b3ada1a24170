// The workbench: what is open, what is asked of the desk, and how the page is drawn from the answers.
import { drawAnswers } from "./answers.js";
import { decode } from "./arms.js";
import { drawFirst } from "./first.js";
import { h, keepingFocus, put, working } from "./dom.js";
import { Edits } from "./edits.js";
import { Live, drawStop } from "./live.js";
import { drawMeasure } from "./measure.js";
import { Notes } from "./notes.js";
import { Picture } from "./picture.js";
import { Posing } from "./posing.js";
import { drawSheet, drawStep } from "./sheet.js";
import { drawRehearsal } from "./task.js";
import { drawTop } from "./top.js";
import { Sounder, drawTaughtSheet, drawTeaching, lampWords } from "./teach.js";
import { units } from "./units.js";
import { Wire } from "./wire.js";

const RADIAN = Math.PI / 180;

class App {
  constructor(at) {
    this.at = at;
    this.facing = "Y";
    this.opened = null;
    this.live = { run: null };
    this.overruled = new Set();
    this.edits = new Edits(this);
    this.posing = new Posing(this);
    this.busy = new Set();
    this.tasks = {};
    this.teaching = this.reading = null;
    this.starting = new Set();
    this.reads = { kind: "gauge", of: "", numbers: [], good: "", answer: "" };
    this.sounder = new Sounder();
    this.measuring = false;
    this.guide = "calibrate";
    this.notes = new Notes();
    this.body = h("div", { class: "body" });
    at.append(this.notes.at, this.body);
    put(this.body, working("Opening …"));
    this.wire = new Wire({ onPush: (said) => this.hear(said), onState: (state) => this.link(state) });
    this.keys = (e) => this.key(e);
    addEventListener("keydown", this.keys);
    this.player = new Live(this);
    // What is pressed is not drawn anew until it is let go: else the press would be lost.
    this.press = (e) => (this.pressed = e.target.closest?.("button:not(.hold), select, input, summary, label") || null);
    this.release = () => setTimeout(() => {
      this.pressed = null;
      if (this.late) this.draw();
    });
    addEventListener("pointerdown", this.press, true);
    for (const name of ["blur", "pointerup", "pointercancel"]) addEventListener(name, this.release);
  }

  stop() {
    removeEventListener("keydown", this.keys);
    this.player.stop();
    removeEventListener("pointerdown", this.press, true);
    for (const name of ["blur", "pointerup", "pointercancel"]) removeEventListener(name, this.release);
    this.picture?.dispose();
    this.wire.close();
  }

  say(text, kind = "said", about = "") {
    this.notes.say(text, kind, about);
  }

  async ask(what, more = {}) {
    try {
      return await this.wire.ask(what, more);
    } catch (error) {
      if (!error.cut) this.say(error.message, "bad"); // else the cut itself is said
      return null;
    }
  }

  // -- what comes over the wire ------------------------------------------------------------------------

  async link(state) {
    if (state === "cut") {
      if (this.cut) return; // said already
      this.mine = this.mine || this.holder === this.you;
      this.cut = true;
      if (this.live.run?.going) {
        const state = "the link was cut: the arms were told to stop, and nothing goes on by itself";
        this.live.run = { ...this.live.run, going: false, state };
      }
      this.say("The link to handfast was cut. Nothing is lost: the files hold every edit. Trying again …", "bad", "link");
      this.draw();
      return;
    }
    // A page that is read anew after a cut finds its way back to the bench it had open.
    const kept = JSON.parse(sessionStorage.getItem("handfast") || "null");
    if (!this.bench && kept) Object.assign(this, { cut: true, path: kept.path, chosen: kept.chosen, mine: true });
    const again = this.cut && (this.bench || kept);
    this.cut = false;
    if (again) this.say("The link is there again.", "said", "link");
    const mine = this.mine;
    this.mine = false;
    let said = again ? await this.ask("open", { path: this.path }) : null;
    if (!said) {
      sessionStorage.removeItem("handfast");
      said = await this.ask("hello");
    }
    if (said) await this.take(said, again);
    // Whoever held the controls before the link was cut holds them again, unless somebody took them meanwhile.
    if (again && mine) {
      await new Promise((done) => setTimeout(done, 500));
      if (!this.holder) await this.ask("controls");
    }
  }

  async take(said, again = false) {
    if (said.first && !said.state) {
      this.picture?.dispose();
      this.picture = null;
      sessionStorage.removeItem("handfast");
      Object.assign(this, { first: said.first, bench: null, routine: null });
      this.draw();
      return;
    }
    this.you = said.you;
    this.holder = said.holder;
    this.arms = said.arms;
    this.setState(said.state);
    this.path = this.state.path;
    const name = again && this.bench.routines.includes(this.chosen) ? this.chosen : this.bench.routines[0];
    Object.assign(this, { tasks: {}, fit: null, teaching: null, reading: null, measuring: false });
    this.body.classList.remove("is-measuring");
    // What goes on at the arms already, begun in another window.
    const { run, teaching, reading } = said.going;
    if (run) this.live.run = run;
    else if (this.live.run?.going) this.live.run = null;
    if (reading) this.reading = reading;
    if (teaching) this.hearTeaching(teaching);
    if (name) await this.choose(name);
    const reach = await this.ask("reach");
    if (reach) this.picture?.setReach(reach.reach);
  }

  setState(state) {
    this.state = state;
    if (state.bench) {
      const fresh = !this.bench;
      // Most edits are of a routine: the bench is built anew only where it has changed.
      const said = JSON.stringify(state.bench);
      if (fresh || said !== this.benchSaid) {
        this.bench = state.bench;
        this.benchSaid = said;
        if (fresh) this.lay();
        this.picture.setBench(this.bench, !fresh);
      }
      if (fresh) this.picture.lookFrom("front");
    }
    this.draw();
  }

  hear(said) {
    // What was just taught is shown as soon as the bench is read anew.
    if (said.push === "bench" && said.state.bench?.routines.includes(this.taught)) {
      const name = this.taught;
      this.taught = null;
      this.setState(said.state);
      this.choose(name);
      return;
    }
    const mine = said.name === undefined || said.name === this.chosen;
    if (said.push === "bench") this.setState(said.state);
    else if (said.push === "holder") {
      this.holder = said.holder;
      this.you = said.you;
      this.draw();
    } else if (said.push === "routine" && mine) {
      this.routine = said;
      this.refused = null;
      this.keepMark();
      this.answered = performance.now();
      this.draw();
    } else if (said.push === "motion" && mine) {
      this.motion = { ...said, q: decode(said.q_rad), gaps: decode(said.gaps_mm) };
      this.picture.setMotion(this.motion);
      this.picture.show(this.picture.time);
      this.posing.show();
      this.outline();
      this.draw();
    } else if (said.push === "changes" && mine && this.routine?.version === said.version) {
      this.routine.answers = said.answers;
      this.routine.tried = true;
      this.draw();
    } else if (said.push === "refused" && mine) {
      this.refused = said.error;
      this.routine = null;
      this.draw();
    } else if (said.push === "outside") {
      this.edits.forget();
      this.say(`Changed outside this page: ${said.text.replace(/^edited outside: /, "")}. ${said.trouble ? "It cannot be read as it stands now; what is wrong stands above." : "It was read anew."}`);
    }
    else if (said.push === "said") this.say(said.text, "bad");
    else if (said.push === "run") {
      const { run } = said;
      this.player.hear(run.routine && run.routine !== this.chosen ? { ...run, state: `${run.routine}: ${run.state}` } : run);
    } else if (said.push === "task") this.hearTask(said.task);
    else if (said.push === "teaching") this.hearTeaching(said.teaching);
    else if (said.push === "reading") this.hearReading(said.reading);
  }

  hearReading(r) {
    this.reading = r;
    this.reads.asked = false;
    const last = r.said.at(-1) || "";
    if (/^reading \d+ kept/.test(last)) this.sounder.play(1);
    else if (/^not read/.test(last)) this.sounder.play(2);
    if (!r.going) this.say(r.ended);
    this.draw();
    if (!r.going && this.mayEdit) this.startTask("fit", {});
  }

  hearTask(task) {
    const before = this.tasks[task.kind];
    this.tasks[task.kind] = { ...task, of: before?.going ? before.of : this.routine?.version };
    if (task.result && (task.kind === "fit" || task.kind === "readings")) this.fit = task.result;
    // How far it is, alone, does not draw the page anew under somebody's hands.
    const bar = before?.going && task.going && this.body.querySelector(".task progress");
    if (bar) bar.value = task.share;
    else this.draw();
  }

  hearTeaching(t) {
    const before = this.teaching?.name === t.name ? this.teaching : null;
    this.teaching = t;
    if (t.cues > (before?.cues || 0)) this.sounder.play(t.cue);
    if (t.q_deg && t.going)
      for (const arm of ["left", "right"]) this.picture.setArm(arm, t.q_deg[arm].map((d) => d * RADIAN));
    if (!before?.going && t.going) this.leadWith("left");
    if (!t.going) {
      this.picture.live = false;
      this.picture.show(this.picture.time);
      this.outline();
      this.taught = t.routine;
      this.say(t.ended, t.routine ? "said" : "bad");
    }
    const changed = !before || before.told.length !== t.told.length || before.going !== t.going || before.said !== t.said;
    if (changed) this.draw();
    else if (this.lamp) {
      this.lamp.style.setProperty("--level", (t.lamp / 255).toFixed(2));
      this.lampSays.textContent = `Lamp ${lampWords(t.lamp)}`;
    }
  }

  // -- what a person does ------------------------------------------------------------------------------

  async open(what, more) {
    await this.during("opening", async () => {
      const said = await this.ask(what, more);
      if (said) await this.take(said);
    });
  }

  async choose(name) {
    await this.edits.ended; // what was asked of the other routine is written first
    if (name !== this.chosen && !this.live.run?.going) this.live.run = null;
    sessionStorage.setItem("handfast", JSON.stringify({ path: this.path, chosen: name }));
    this.overruled.clear();
    Object.assign(this, { chosen: name, routine: null, motion: null, marked: null, opened: null, refused: null });
    this.picture?.setMarks([]);
    this.draw();
    await this.ask("routine", { name });
  }

  get atTheArms() {
    return Boolean(this.live.run?.going || this.teaching?.going || this.reading?.going);
  }

  get mayEdit() {
    return !this.cut && this.holder === this.you && !this.atTheArms;
  }

  // -- work that takes a while, and measuring ------------------------------------------------------------

  async startTask(kind, more) {
    if (more.file) this[kind === "score photo" ? "lastPhoto" : "lastFile"] = more.file;
    if (this.starting.has(kind)) return; // asked for, and not yet heard of
    this.starting.add(kind);
    await this.ask("task", { kind, ...more });
    this.starting.delete(kind);
  }

  // While something is waited for, the page shows that it is at work.
  async during(what, work) {
    this.busy.add(what);
    this.draw();
    try {
      return await work();
    } finally {
      this.busy.delete(what);
      this.draw();
    }
  }

  async handIn(kind, file) {
    try {
      const said = await fetch(`/hand-in/${this.you}/${kind}/${encodeURIComponent(file.name)}`, { method: "POST", body: file });
      const answer = await said.json();
      if (answer.file) return answer.file;
      this.say(answer.error, "bad");
    } catch (error) {
      this.say(`the file did not get through: ${error.message}`, "bad");
    }
    return null;
  }

  measure(on) {
    this.measuring = on;
    this.body.classList.toggle("is-measuring", on);
    if (on) this.openGuide(this.guide);
    else {
      this.picture.show(this.picture.time);
      this.draw();
    }
  }

  openGuide(guide) {
    this.guide = guide;
    if (guide === "calibrate" && this.mayEdit && !this.tasks.fit?.going) this.startTask("fit", {});
    this.draw();
  }

  showPose(pose) {
    this.picture.play(false);
    for (const arm of ["left", "right"]) this.picture.setArm(arm, pose[arm].map((d) => d * RADIAN));
  }

  async calibrate() {
    if (!this.busy.has("calibrate")) await this.during("calibrate", () => this.writeFound());
  }

  async writeFound() {
    const done = await this.ask("calibrate");
    if (!done) return;
    this.say(`${done.did ? `${done.did[0].toUpperCase()}${done.did.slice(1)}` : "Nothing changed"}. Routines were read off the new lines; correct them anew.`);
    await this.startTask("fit", {});
  }

  // -- teaching ------------------------------------------------------------------------------------------

  async teach(name, resume = false) {
    this.teachName = name;
    this.marked = null;
    this.teachOpen = true;
    this.picture.play(false);
    this.picture.setMarks([]);
    this.picture.live = true;
    const said = await this.ask("teach", { name, resume });
    if (!said) this.picture.live = false;
  }

  leadWith(arm) {
    this.leads = arm;
    this.outline();
    this.draw();
  }

  async leadBy(axis, by) {
    const pose = this.picture.part(this.leads).map((x) => x / RADIAN);
    const { tool } = this.picture.frames(this.leads);
    const p = [...tool.p];
    p[axis] += by;
    const found = await this.ask("solve", { arm: this.leads, R: tool.R, p_mm: p, near_deg: pose });
    if (found) await this.ask("lead", { arm: this.leads, pose_deg: found.q_deg, ms: 500 });
  }

  // An edit of the routine that is shown. by: in a move, how many places on.
  edit({ by, ...said }, more = {}) {
    const routine = this.chosen;
    const once = said.edit === "change" || said.edit === "correct" ? JSON.stringify(said) : undefined;
    const make = (step) => {
      const to = by === undefined ? undefined : step + by;
      if (to < 0 || to >= this.routine?.sheet.steps.length) return undefined;
      return { do: "edit", ...said, routine, step, to };
    };
    return this.edits.add({ step: said.step, once, make, ...more });
  }

  undo(what = "undo") {
    return this.edits.add({ make: () => ({ do: what }) });
  }

  // The step that is marked is still one of the sheet, and its arm one of the step's.
  keepMark() {
    const step = this.marked && this.routine?.sheet.steps[this.marked.step];
    if (!step) this.marked = null;
    else if (!step.arms.includes(this.marked.arm)) this.marked.arm = step.arms[0];
  }

  openAnswer(question) {
    this.opened = question;
    this.draw();
  }

  goTo(time, step, arm) {
    this.picture.play(false);
    this.picture.show(time);
    if (arm) this.picture.lookAt(arm);
    if (Number.isInteger(step)) this.mark(step, arm || this.routine.sheet.steps[step].arms[0]);
    this.draw();
  }

  mark(step, arm, time) {
    this.marked = { step, arm };
    const landing = this.motion?.landings.find((l) => l.step === step && l.arm === arm && l.row === null);
    this.picture.play(false);
    if (landing) this.picture.show(landing.time_s);
    else if (time !== undefined) this.picture.show(time);
    this.outline();
    this.draw();
  }

  outline() {
    if (this.teaching?.going) {
      this.picture.setMarks([]);
      this.picture.setHand(this.holder === this.you && !this.arms ? this.leads : null, this.facing);
      return;
    }
    const step = this.marked && this.routine?.sheet.steps[this.marked.step];
    const pose = step?.pose_deg[this.marked.arm];
    if (!pose) {
      this.picture.setHand(null, this.facing);
      this.picture.setMarks([]);
      return;
    }
    const { arm } = this.marked;
    const landing = this.motion?.landings.find((l) => l.step === this.marked.step && l.arm === arm && l.row === null);
    this.picture.setHand(this.mayEdit ? arm : null, this.facing);
    this.picture.setMarks([{ arm, q: pose.map((d) => d * RADIAN), landing }]);
  }

  face(letter) {
    this.facing = letter;
    this.outline();
    this.draw();
  }

  key(event) {
    if (event.key === "Escape" && this.picture?.dragged) this.picture.cancel();
    // Also where this page knows of nothing that goes on.
    if (event.key === "Escape" && this.bench) {
      if (this.atTheArms) event.preventDefault();
      this.halt();
      return;
    }
    const typing = ["INPUT", "TEXTAREA", "SELECT"].includes(event.target.tagName) && event.target.type !== "range";
    if (!(event.ctrlKey || event.metaKey) || typing || !this.bench) return;
    const name = event.key.toLowerCase();
    if (name === "z" && !event.shiftKey) this.undo();
    else if (name === "y" || (name === "z" && event.shiftKey)) this.undo("redo");
    else return;
    event.preventDefault();
  }

  // -- live --------------------------------------------------------------------------------------------

  async run(nudges = false) {
    await this.ask("run", { routine: this.chosen, version: this.routine.version, overrule: [...this.overruled], nudges });
  }

  halt() {
    this.wire.ask("halt").catch((error) => this.say(`STOP did not get through: ${error.message}. Use the wired switch.`, "bad", "stop"));
  }

  // -- drawing -----------------------------------------------------------------------------------------

  lay() {
    this.tell = h("p", { class: "tell", role: "status" });
    this.view = h("div", { class: "view" }, this.tell);
    this.slots = Object.fromEntries(["top", "left", "bar", "right"].map((name) => [name, h("div", { class: `slot-${name}` })]));
    put(this.body, this.slots.top, h("div", { class: "work" }, this.slots.left,
      h("section", { class: "middle", "aria-label": "Bench" }, this.view, this.slots.bar), h("div", { class: "side" }, drawStop(this), this.slots.right)));
    put(this.slots.right, this.player.section, (this.slots.more = h("div")));
    this.picture = new Picture(this.view, {
      onDrag: (place) => this.posing.drag(place),
      onDrop: (arm, moved) => this.posing.dropped(arm, moved),
      onTime: (time) => this.showTime(time),
    });
  }

  showTime(time) {
    if (this.slider && document.activeElement !== this.slider) this.slider.value = time;
    if (this.clock) this.clock.textContent = `${time.toFixed(2)} s`;
    this.slider?.setAttribute("aria-valuetext", this.momentSaid(time));
    if (this.line && this.sheetY) this.line.style.top = `${this.sheetY(time)}px`;
  }

  // The time, and what the arms do then, in words.
  momentSaid(time) {
    const { steps, blocks } = this.routine?.sheet || { steps: [], blocks: [] };
    const now = blocks.filter((b) => b.start_s <= time && time < b.end_s).map((b) => `${b.arm} arm ${steps[b.step].title}`);
    return [`${time.toFixed(1)} seconds`, ...now].join(", ");
  }

  draw() {
    this.late = Boolean(this.pressed?.isConnected);
    if (this.late) return;
    if (!this.bench) {
      if (this.busy.has("opening")) put(this.body, working("Opening …"));
      else if (this.first) keepingFocus(this.body, () => put(this.body, drawFirst(this)));
      return;
    }
    const parts = {
      top: () => drawTop(this),
      left: () => this.drawLeft(),
      bar: () => this.drawBar(),
      more: () => [drawTeaching(this), !this.teaching?.going && [drawRehearsal(this), this.routine && drawAnswers(this)]],
    };
    const scroll = this.slots.right.scrollTop;
    this.player.draw();
    for (const [name, make] of Object.entries(parts)) keepingFocus(this.slots[name], () => put(this.slots[name], make()));
    this.slots.right.scrollTop = scroll;
    if (this.picture) this.showTime(this.picture.time);
  }

  drawLeft() {
    if (this.teaching?.going) return drawTaughtSheet(this);
    if (this.measuring) return drawMeasure(this);
    if (this.state.trouble && !this.routine) return h("section", { class: "sheet" }, h("h2", {}, "Sheet"), h("p", {}, "Sheet and answers come back as soon as the bench can be read."));
    if (this.refused) return h("section", { class: "sheet" }, h("h2", {}, "Sheet"), h("p", { class: "band is-bad" }, this.refused));
    if (!this.bench.routines.length)
      return h("section", { class: "sheet" }, h("h2", {}, "Sheet"),
        h("p", {}, "This bench has no routine yet. Teach one by hand (on the right), or write one into its routines folder."));
    if (!this.routine) return h("section", { class: "sheet" }, working("Asking …"));
    return [drawSheet(this), drawStep(this)];
  }

  drawBar() {
    const end = this.motion ? (this.motion.samples - 1) * this.motion.dt_s : 0;
    this.slider = h("input", {
      type: "range", min: 0, max: end, step: 0.1, value: this.picture?.time || 0, "aria-label": "Moment of the routine", "data-key": "time",
      disabled: !this.motion, oninput: (e) => {
        this.picture.play(false);
        this.picture.show(Number(e.target.value));
      },
    });
    this.clock = h("output", {}, "0.00 s");
    const look = (where, words) => h("button", { class: "plain", onclick: () => this.picture.lookFrom(where), "data-key": `look-${where}` }, words);
    return h("div", { class: "bar" },
      h("div", { class: "bar-row" },
        h("button", { class: "plain", disabled: !this.motion, "data-key": "play", onclick: () => {
          this.picture.play(!this.picture.playing);
          this.draw();
        } }, this.picture?.playing ? "Halt the picture" : "Play the picture"),
        this.slider, this.clock),
      h("div", { class: "bar-row" },
        look("front", "From the front"), look("side", "From the side"), look("above", "From above"),
        h("label", { class: "tick-box", for: "reach" }, h("input", {
          id: "reach", type: "checkbox", checked: this.picture?.showReach, "data-key": "reach", onchange: (e) => this.picture.toggleReach(e.target.checked),
        }), h("span", {}, "reach")),
        h("label", { for: "larger", class: "larger" }, h("span", {}, `miss and dead motion ${this.picture?.exaggeration || 1} times`), h("input", {
          id: "larger", type: "range", min: 1, max: 20, step: 1, value: this.picture?.exaggeration || 1, "data-key": "larger",
          oninput: (e) => {
            this.picture.exaggeration = Number(e.target.value);
            e.target.previousSibling.textContent = `miss and dead motion ${e.target.value} times`;
            this.outline();
          },
        }))),
      h("p", { class: "small" }, this.legend()));
  }

  legend() {
    const landing = this.marked && this.motion?.landings.find((l) => l.step === this.marked.step && l.arm === this.marked.arm && l.row === null);
    if (!landing) return "Full outline: where a pose was taught. Dashed outline: where it will land, trimmed. Choose a step to see its own.";
    return `Full outline: taught. Dashed: where it lands when trimmed, ${units.number(landing.expected_mm, "mm", 1)} off ` +
      `(${units.number(landing.not_known_mm, "mm", 1)} of it not known; ${units.number(landing.allowed_mm, "mm", 1)} allowed). Shaded body: how far the TCP can be pushed at rest.`;
  }
}

export function start(at) {
  const app = new App(at);
  window.handfast = app; // for tests and for the curious
  return () => app.stop();
}
