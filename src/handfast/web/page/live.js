// Playing on arms: the cautions first, a STOP that is always in sight, and hold-to-run the first time.
import { h } from "./dom.js";

// Made once, beside what is drawn anew: it stays in sight, and no press is lost because it was replaced under a finger.
// It acts when it is pressed, not when it is let go.
export function drawStop(app) {
  const stop = h("button", {
    class: "stop", "data-key": "stop", onpointerdown: () => app.halt(), onclick: () => app.halt(), "aria-describedby": "stop-says",
  }, "STOP");
  return h("section", { class: "stop-row", "aria-label": "Stop" }, stop,
    h("p", { class: "small", id: "stop-says" }, "Also Esc. It asks the software to stop and is not the wired emergency stop: keep the switch that breaks the servo supply in reach."));
}

export function drawLive(app) {
  const { run } = app.live;
  const going = Boolean(run?.going);
  const failing = (app.routine?.answers.answers || []).filter((a) => a.verdict === "fails").map((a) => a.question);
  const holding = going && run.held;
  return h(
    "section", { class: "live", "aria-label": "Live" },
    h("h2", {}, "Play it on arms"),
    app.motion && !going && h("details", { class: "cautions" }, h("summary", {}, "Before it moves"), h("ul", {}, app.motion.cautions.map((line) => h("li", {}, line)))),
    !going && failing.length > 0 && h("fieldset", { class: "overrule" }, h("legend", {}, "Fails, and would not be played. Play it all the same?"),
      failing.map((question) => h("label", { class: "tick-box", for: `overrule-${question}` }, h("input", {
        id: `overrule-${question}`, type: "checkbox", "data-key": `overrule-${question}`, checked: app.overruled.has(question), disabled: !app.mayEdit,
        onchange: (e) => (e.target.checked ? app.overruled.add(question) : app.overruled.delete(question)),
      }), h("span", {}, `overrule ${question}`)))),
    !going && h("button", { class: "strong", disabled: !app.mayEdit || !app.motion, "data-key": "run", onclick: () => app.run() }, app.arms ? "Run on the arms" : "Run on simulated arms"),
    !going && h("button", { class: "plain", disabled: !app.mayEdit || !app.motion, "data-key": "run-nudges", onclick: () => app.run(true) }, "Run, and wait at each pose for its mark"),
    going && run.nudges && drawNudging(app, run),
    holding && h("button", {
      class: "hold", "data-key": "hold", onpointerdown: () => app.hold(true), onkeydown: (e) => e.key === " " && app.hold(true), onkeyup: () => app.hold(false),
    }, "Hold down to let it move"),
    run && h("p", { class: "run-line", role: "status" }, run.state),
    run && going && h("progress", { max: 1, value: run.share, "aria-label": "How much has been played" }),
    run?.landings && h("p", { class: "small" }, run.landings),
    !run && h("p", { class: "small" }, app.arms ? `Connected: the board at ${app.arms}. Keep clear of the arms, and the switch that breaks the servo supply in reach.`
      : "Connected: simulated arms, whose true play nobody is told. For real arms: handfast open --arms PORT."),
  );
}

// At a pose: its TCP is moved onto its mark, or left where it is.
function drawNudging(app, run) {
  const key = (letter, words, style = "plain") => h("button", { class: style, "data-key": `nudge-${letter.trim() || "on"}`, onclick: () => app.ask("nudge", { letter }) }, words);
  return h("div", { class: "nudging" },
    run.said.slice(-3).map((line) => h("p", { class: "small" }, line)),
    h("p", { class: "small" }, "Along the bench's own axes, as bench.toml has them; z goes up. Hold the button down while it moves."),
    h("div", { class: "doings" }, ["x", "y", "z"].map((axis) => [key(axis.toUpperCase(), `${axis} back`), key(axis, `${axis} forth`)])),
    h("div", { class: "doings" }, key("s", "Finer or coarser"), key("\n", "On its mark", "strong"), key("n", "Leave this pose out"), key("e", "Leave out all others")));
}
