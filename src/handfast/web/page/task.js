// Work that takes a while: how far it is, how it is ended, and what came of it.
import { h } from "./dom.js";
import { units } from "./units.js";

export const signed = (works) => h("b", { class: `then ${works ? "" : "is-fails"}` }, works ? "✓ works" : "✕ fails");

export function table(caption, heads, rows) {
  return h("table", { class: "figures-table" }, h("caption", {}, caption),
    h("thead", {}, h("tr", {}, heads.map((head) => h("th", { scope: "col" }, head)))),
    h("tbody", {}, rows.map((row) => h("tr", {}, row.map((cell, i) => (i ? h("td", {}, cell) : h("th", { scope: "row" }, cell)))))));
}

// Said above what came of a routine that is not the one in sight.
export const ofAnother = (app, r) => r.routine && r.routine !== app.chosen && h("p", { class: "small" }, h("b", {}, `Of another routine: ${r.routine}.`));

// A button that starts it; while it goes, how far it is and a way to end it; then what came of it.
export function taskPart(app, kind, words, more, shown, off = false) {
  const task = app.tasks[kind];
  return h("div", { class: "task" },
    task?.going
      ? h("div", { class: "bar-row" },
          h("progress", { max: 1, value: task.share || null, "aria-label": `${words}: how much is done` }),
          h("button", { class: "plain", "data-key": `end-${kind}`, disabled: app.holder !== app.you, onclick: () => app.ask("end task", { kind }) }, "End it"))
      : h("button", {
          class: "plain", "data-key": `task-${kind}`, disabled: !app.mayEdit || off, onclick: () => app.startTask(kind, more()),
        }, words),
    task && !task.going && (task.error ? h("p", { class: "band is-bad" }, task.error) : shown(task.result)));
}

export function drawRehearsal(app) {
  return h("section", { class: "rehearsal", "aria-label": "Rehearsal" },
    h("h2", {}, "Rehearse it in physics"),
    taskPart(app, "rehearse", "Rehearse it", () => ({ routine: app.chosen }), (r) => outcome(app, r), !app.routine),
    !app.tasks.rehearse && h("p", { class: "small" }, "The arms by the bench's figures, with play, friction and weight, in a simulation: what is gripped, slips, tilts or is knocked, and where poses land. About ten seconds."));
}

function outcome(app, r) {
  const mm = (x, n = 1) => units.number(x, "mm", n);
  const far = (v) => mm(Math.hypot(...v)).replace(" ", "\u00a0");
  return h("div", { class: "outcome" },
    ofAnother(app, r) || (app.tasks.rehearse.of !== app.routine?.version && h("p", { class: "small" }, "From before the last change.")),
    h("p", {}, signed(r.works), ` ${r.routine}, corrected`),
    h("p", { class: "small" }, `${r.planned_s.toFixed(1)} s of that are the routine's own motion: ${r.why_longer}.`),
    r.events.length > 0 && h("ul", { class: "events" }, r.events.map((e) => h("li", {},
      `${e.kind}: ${units.words(e.what)} `,
      e.step > 0 && r.routine === app.chosen && app.routine?.sheet.steps[e.step - 1] && h("button", { class: "plain", "data-key": `event-${e.step}`, onclick: () => app.mark(e.step - 1, app.routine.sheet.steps[e.step - 1].arms[0]) }, `Show step ${r.titles[e.step - 1]}`)))),
    r.grips.map((g) => h("p", { class: "small" }, g.gripped
      ? `${g.arm} hand holds ${g.thing} from ${g.from_s.toFixed(1)} ${g.lost_s === null ? `to ${g.to_s.toFixed(1)} s` : `s and loses it by ${g.lost_s.toFixed(1)} s`}: ${g.press_N.toFixed(1)} N per pad, ${(100 * g.friction_used).toFixed(0)} % of the friction used, tilts ${g.tilt_deg.toFixed(0)}°`
      : `${g.arm} hand does not get hold of ${g.thing}`)),
    r.lines.map((l) => h("p", { class: "small" }, `${l.pen} draws ${(100 * l.share_drawn).toFixed(0)} % of its line, ${mm(l.error_mm)} off`)),
    r.things.map((t) => h("p", { class: "small" }, `${t.thing} ends ${mm(t.beside_mm)} beside its place, leaning ${t.lean_deg.toFixed(0)}°`)),
    h("details", {}, h("summary", {}, "Where poses landed"),
      table("Distance from where each was taught: as the answer foretold, and in physics", ["step", "arm", "foretold", "landed", "why they differ"],
        r.landing_beside.map((x) => [r.titles[x.step - 1], x.arm, far(x.fast_mm), far(x.twin_mm), x.why || "–"]))),
    r.holding.length > 0 && h("details", {}, h("summary", {}, "Torques, twice reckoned"),
      table("Largest holding torque, N·m", ["joint", "answer", "physics", "why they differ"],
        r.holding.map((x) => [x.joint, x.fast_Nm.toFixed(3), x.twin_Nm.toFixed(3), x.why || "–"]))),
    r.next && h("p", {}, `Next: ${units.words(r.next)}`),
    r.notes.map((note) => h("p", { class: "small" }, `Note: ${units.words(note)}`)));
}
