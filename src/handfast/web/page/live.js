// Playing on arms: the cautions first, a STOP that is always in sight, and hold-to-run the first time.
import { h, keepingFocus, put } from "./dom.js";

const RADIAN = Math.PI / 180;
const HOLDS_AGAIN = 100; // ms: a button that is held says so again and again, and counts for no longer than 0.3 s

// Made once, beside what is drawn anew: it stays in sight, and no press is lost because it was replaced under a finger.
// It acts when it is pressed, not when it is let go.
export function drawStop(app) {
  const stop = h("button", {
    class: "stop", "data-key": "stop", onpointerdown: () => app.halt(), onclick: () => app.halt(), "aria-describedby": "stop-says",
  }, "STOP");
  return h("section", { class: "stop-row", "aria-label": "Stop" }, stop,
    h("p", { class: "small", id: "stop-says" }, "Also Esc. It asks the software to stop and is not the wired emergency stop: keep the switch that breaks the servo supply in reach."));
}

// Made once, too: what is said of a run stays one line, so that a screen reader hears it when it changes, and only then.
export class Live {
  constructor(app) {
    this.app = app;
    this.above = h("div");
    // Made once: a button that is held down must not be drawn anew under the finger.
    this.hold = h("button", {
      class: "hold", "data-key": "hold", onpointerdown: (e) => e.button === 0 && this.holds(true), onkeydown: (e) => e.key === " " && this.holds(true),
      onfocusout: () => this.holds(false),
    }, "Hold down to let it move");
    this.says = h("p", { class: "run-line", role: "status" });
    this.figures = h("p", { class: "small run-figures" });
    this.bar = h("progress", { max: 1, "aria-label": "How much has been played", hidden: true });
    this.below = h("div");
    this.section = h("section", { class: "live", "aria-label": "Live", tabindex: "-1" },
      h("h2", {}, "Play it on arms"), this.above, this.says, this.figures, this.bar, this.below);
    this.ends = ["blur", "pointerup", "pointercancel"];
    this.letGo = () => this.holds(false);
    this.keyUp = (e) => e.key === " " && this.holds(false);
    for (const name of this.ends) addEventListener(name, this.letGo);
    addEventListener("keyup", this.keyUp);
    document.addEventListener("visibilitychange", this.letGo);
  }

  stop() {
    for (const name of this.ends) removeEventListener(name, this.letGo);
    removeEventListener("keyup", this.keyUp);
    document.removeEventListener("visibilitychange", this.letGo);
    clearInterval(this.beats);
  }

  // A button that is held down lets the arms move. Wherever the key or the pointer is let go, it counts.
  holds(on) {
    const { live, wire } = this.app;
    if (live.holding === on) return;
    live.holding = on;
    clearInterval(this.beats);
    const say = () => live.run?.going && wire.ask("hold", { on }).catch(() => {});
    say();
    if (on) this.beats = setInterval(() => (live.run?.going ? say() : this.holds(false)), HOLDS_AGAIN);
  }

  // News of a run: what only changes in figures is not drawn anew.
  hear(run) {
    const { app } = this;
    const before = app.live.run;
    app.live.run = run;
    const own = run.routine === app.chosen && app.motion;
    const end = own ? (app.motion.samples - 1) * app.motion.dt_s : 0;
    if (run.going && !before?.going) app.picture?.play(false);
    if (run.going && run.q_deg) app.picture?.follow(own ? run.share * end : null, run.q_deg.map((d) => d * RADIAN));
    const same = before?.going && run.going && before.held === run.held && before.heard === run.heard && before.said.join() === run.said.join();
    this.tell();
    if (before?.going && !run.going) app.picture?.show(app.picture.time);
    if (!same) app.draw();
  }

  tell() {
    const { run } = this.app.live;
    const set = (at, text) => at.textContent !== text && (at.textContent = text);
    set(this.says, run?.state || "");
    set(this.figures, (run?.going && run.figures) || "");
    this.bar.hidden = !run?.going;
    // On the way to the start nobody knows how much is done.
    if (run?.share) this.bar.value = run.share;
    else this.bar.removeAttribute("value");
  }

  draw() {
    const { app } = this;
    const { run } = app.live;
    const going = Boolean(run?.going);
    const within = this.section.contains(document.activeElement);
    const held = going && run.held;
    keepingFocus(this.above, () => put(this.above, drawAbove(app)));
    keepingFocus(this.below, () => put(this.below,
      run?.landings && h("p", { class: "small" }, run.landings),
      !run && h("p", { class: "small" }, app.arms ? `Connected: the board at ${app.arms}. Keep clear of the arms, and the switch that breaks the servo supply in reach.`
        : "Connected: simulated arms, whose true play nobody is told. For real arms: handfast open --arms PORT.")));
    if (held && !this.hold.isConnected) this.above.after(this.hold);
    if (!held) this.hold.remove();
    this.tell();
    // Whoever was at the keys here stays here; never on a button that would set arms moving by itself.
    if (within && !this.section.contains(document.activeElement)) this.section.focus({ preventScroll: true });
    if (held && document.activeElement === this.section) this.hold.focus({ preventScroll: true });
  }
}

function drawAbove(app) {
  const { run } = app.live;
  const going = Boolean(run?.going);
  const fails = app.motion?.fails || [];
  const may = app.mayEdit && app.motion && app.routine && !app.state.trouble; // not what stood in the files before
  return [
    app.motion && !going && h("details", { class: "cautions" }, h("summary", {}, "Before it moves"), h("ul", {}, app.motion.cautions.map((line) => h("li", {}, line)))),
    !going && fails.length > 0 && h("fieldset", { class: "overrule" }, h("legend", {}, "Fails as it is played, corrected; so it is not played. Play it all the same?"),
      fails.map((question) => h("label", { class: "tick-box", for: `overrule-${question}` }, h("input", {
        id: `overrule-${question}`, type: "checkbox", "data-key": `overrule-${question}`, checked: app.overruled.has(question), disabled: !app.mayEdit,
        onchange: (e) => (e.target.checked ? app.overruled.add(question) : app.overruled.delete(question)),
      }), h("span", {}, `overrule ${question}`)))),
    !going && h("button", { class: "strong", disabled: !may, "data-key": "run", onclick: () => app.run() }, app.arms ? "Run on the arms" : "Run on simulated arms"),
    !going && h("button", { class: "plain", disabled: !may, "data-key": "run-nudges", onclick: () => app.run(true) }, "Run, and wait at each pose for its mark"),
    app.reading?.going && h("p", { class: "bar-row" }, h("span", {}, app.reading.sweeps ? "The arms are being swept." : "Readings are being taken at the arms."),
      h("button", { class: "plain", "data-key": "end-session", onclick: () => app.halt() }, "End it")),
    going && run.nudges && drawNudging(app, run),
  ];
}

// At a pose: its TCP is moved onto its mark, or left where it is.
function drawNudging(app, run) {
  const key = (letter, words, style = "plain") => h("button", { class: style, "data-key": `nudge-${letter.trim() || "on"}`, onclick: () => app.ask("nudge", { letter }) }, words);
  return h("div", { class: "nudging" },
    run.said.slice(-3).map((line) => h("p", { class: "small" }, line)),
    h("p", { class: "small nudge-heard", role: "status" }, run.heard || ""),
    h("p", { class: "small" }, "Along the bench's own axes, as bench.toml has them; z goes up. Hold the button down while it moves."),
    h("div", { class: "doings" }, ["x", "y", "z"].map((axis) => [key(axis.toUpperCase(), `${axis} back`), key(axis, `${axis} forth`)])),
    h("div", { class: "doings" }, key("s", "Finer or coarser"), key("\n", "On its mark", "strong"), key("n", "Leave this pose out"), key("e", "Leave out all others")));
}
