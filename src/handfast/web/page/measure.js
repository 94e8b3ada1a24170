// Measuring: vetting, calibration and scoring as guides that say what to do, take what was read, and what is missing.
import { h, numberField } from "./dom.js";
import { drawReading } from "./reading.js";
import { ofAnother, table, taskPart } from "./task.js";
import { units } from "./units.js";

const GUIDES = [["vet", "Vet the servos"], ["calibrate", "Calibrate the bench"], ["score", "Score what it did"]];
const mm = (x, n = 1) => units.number(x, "mm", n);

// What to do for each kind of reading, in a sentence, and a drawing of it.
const HOW = {
  touch: ["Power off. Lead the limp arm by hand until its TCP stands in the dimple of known place, from above; hold it there for a second.", touchDrawing],
  gauge: ["Power off. Lead this one link onto a stop of known angle and hold it there; then, the stop staying where it is, from the other side.", gaugeDrawing],
  "spring scale": ["Power off, the link upright or counterweighted, so that it weighs nothing on its joint. Hook a spring scale to a lever on it and pull square to it until it just turns.", pullDrawing],
  "light pull": ["Power off, the link upright or counterweighted. Pull at the lever with a fine scale, so gently that the link goes through its play and no gear turns with it; read while it moves, once each way.", pullDrawing],
  push: ["Let the arm hold its pose under power. Push its TCP with a scale along the line that is named, wait a second, read the pointer; then push the other way as hard and read again. Eyes protected, fingers clear of the links.", pushDrawing],
  weight: ["Let the arm hold its pose under power, hang the weight on the TCP, and read on a ruler how far it goes down.", weightDrawing],
};

const art = (words, ...parts) => h("svg", { class: "how", viewBox: "0 0 150 84", role: "img", "aria-label": words },
  h("line", { x1: 6, y1: 76, x2: 144, y2: 76, class: "art-ground" }), ...parts);
const stick = (points) => h("polyline", { points, class: "art-arm" });
const joint = (x, y) => h("circle", { cx: x, cy: y, r: 4.5, class: "art-joint" });

function touchDrawing() {
  return art("A limp arm's tip stands in a dimple on the table", stick("24,76 24,50 66,24 104,46 108,72"), joint(24, 50), joint(66, 24), joint(104, 46),
    h("path", { d: "M100 76 q8 7 16 0", class: "art-mark" }), h("path", { d: "M118 40 q14 4 2 16", class: "art-hand" }));
}
function gaugeDrawing() {
  return art("A link lies against a stop of known angle", stick("30,76 30,50 92,22"), joint(30, 50), h("path", { d: "M84 14 l22 -2 l-4 20 z", class: "art-mark" }),
    h("path", { d: "M54 50 a26 26 0 0 0 -3 -12", class: "art-hand" }), h("path", { d: "M62 66 q14 -12 20 -30", class: "art-hand" }));
}
function pullDrawing() {
  return art("A spring scale pulls square at a lever", stick("30,76 30,46 96,46"), joint(30, 46), h("line", { x1: 84, y1: 46, x2: 84, y2: 24, class: "art-mark" }),
    h("rect", { x: 78, y: 6, width: 12, height: 20, class: "art-mark" }));
}
function pushDrawing() {
  return art("A scale pushes the tip to and fro, a pointer beside it", stick("24,76 24,48 62,22 104,40"), joint(24, 48), joint(62, 22),
    h("line", { x1: 108, y1: 40, x2: 140, y2: 40, class: "art-mark" }), h("path", { d: "M114 35 l-7 5 l7 5 M134 35 l7 5 l-7 5", class: "art-mark" }),
    h("path", { d: "M104 76 V50 M98 76 h12", class: "art-hand" }));
}
function weightDrawing() {
  return art("A weight hangs on the tip, a ruler beside it", stick("24,76 24,48 66,22 112,34"), joint(24, 48), joint(66, 22), h("line", { x1: 112, y1: 34, x2: 112, y2: 48, class: "art-mark" }),
    h("path", { d: "M104 48 h16 l4 16 h-24 z", class: "art-mark" }), h("path", { d: "M134 76 V22 M130 30 h8 M130 42 h8 M130 54 h8 M130 66 h8", class: "art-hand" }));
}
function rigDrawing() {
  return art("A clamped servo with a drum, a pointer and a hanging weight", h("rect", { x: 22, y: 30, width: 38, height: 26, class: "art-joint" }), h("line", { x1: 14, y1: 60, x2: 68, y2: 60, class: "art-arm" }),
    h("circle", { cx: 76, cy: 42, r: 14, class: "art-mark" }), h("line", { x1: 76, y1: 42, x2: 96, y2: 16, class: "art-arm" }), h("line", { x1: 90, y1: 42, x2: 90, y2: 58, class: "art-mark" }),
    h("rect", { x: 83, y: 58, width: 14, height: 14, class: "art-mark" }));
}
function pointerDrawing() {
  return art("A ruler and a pointer at the tip", stick("24,76 24,50 62,22 102,40 104,62"), joint(24, 50), joint(62, 22), joint(102, 40),
    h("path", { d: "M92 76 V66 H140 V76 M100 76 v-5 M108 76 v-5 M116 76 v-5 M124 76 v-5 M132 76 v-5", class: "art-hand" }));
}

const atWork = (words) => h("p", { class: "small", role: "status" }, words, " ", h("progress", { "aria-label": words }));

function handIn(app, kind, words, endings, then) {
  const id = `hand-in-${kind}`;
  return h("label", { class: "hand-in", for: id }, h("span", {}, words),
    h("input", { id, "data-key": id, type: "file", accept: endings, disabled: !app.mayEdit || app.busy.has(id), onchange: async (e) => {
      const [file] = e.target.files;
      if (!file) return;
      const name = await app.during(id, () => app.handIn(kind, file));
      e.target.value = "";
      if (name) await then(name);
    } }), app.busy.has(id) && atWork("Handing it in, and looking at it …"));
}

export function drawMeasure(app) {
  const guides = { vet: drawVet, calibrate: drawCalibrate, score: drawScore };
  return h("section", { class: "measure", "aria-label": "Measuring" },
    h("p", { class: "choice", role: "group", "aria-label": "What is measured" }, GUIDES.map(([key, words]) =>
      h("button", { class: "plain", "aria-pressed": String(app.guide === key), "data-key": `guide-${key}`, onclick: () => app.openGuide(key) }, words))),
    guides[app.guide](app));
}

// -- vetting ---------------------------------------------------------------------------------------------

function drawVet(app) {
  const shown = (r) => {
    const sign = { accept: "✓", watch: "≈", reject: "✕" };
    return h("div", {},
      r.invented && h("p", { class: "small" }, "Invented servos, kept apart from real ones."),
      h("p", {}, `${r.counts.accept} accepted, ${r.counts.watch} to watch, ${r.counts.reject} rejected.`),
      table("Each servo by its serial mark", ["servo", "verdict", "why"], r.servos.map((s) => [
        s.serial_mark, `${sign[s.verdict]} ${s.verdict_text}`, s.reasons.map((x) => units.words(x.words)).join("; ") || (s.verdict_text === s.verdict ? "all figures within its class" : "what was tested is within its class")])),
      r.remarks.map((line) => h("p", { class: "small" }, line)),
      h("p", { class: "small" }, `Labels to print: ${r.written.at(-1)}`));
  };
  return h("div", {},
    h("h2", {}, "Vet the servos, before they are built in"),
    rigDrawing(),
    h("ol", { class: "steps" },
      h("li", {}, "Clamp one servo; give its horn the drum and the pointer of docs/vetting.md. Keep fingers, hair and cables clear; wear eye protection while weights hang."),
      h("li", {}, "Play its class's sweep and record pulse and feedback: handfast vet --channel N --mark MARK --class NAME --port PORT does it at a board, and judges it; handfast vet --plan NAME prints it for another rig."),
      h("li", {}, "Hand in one CSV for each servo, then have them judged. What no file shows is listed as not tested.")),
    handIn(app, "sweep", "A sweep (CSV)", ".csv", (name) => app.say(`Kept: sweeps/${name}.`)),
    taskPart(app, "vet files", "Judge the sweeps handed in", () => ({}), shown),
    taskPart(app, "vet arms", "Try it with twelve invented servos", () => ({}), shown));
}

// -- calibration -----------------------------------------------------------------------------------------

function drawCalibrate(app) {
  const found = app.fit;
  const kind = (words) => Object.keys(HOW).find((key) => words.startsWith(key));
  const state = found && h("div", {},
    h("p", {}, h("b", {}, `The TCP is known to ${mm(found.expected_error_mm)}`), ` (root mean square); ${mm(found.expected_error_before_mm)} without readings, goal ${mm(found.goal_mm)}. `,
      found.expected_error_mm <= found.goal_mm ? h("span", { class: "then" }, "✓ good enough: no more needs to be read") : h("span", { class: "then is-fails" }, "✕ not yet")),
    h("p", { class: "small" }, found.readings ? `${found.readings} readings in ${found.files.join(", ")}.` : "No readings yet."),
    found.wild.length > 0 && h("p", { class: "small" }, `These do not fit the others, and hardly count: ${found.wild.join("; ")}`),
    app.state.batch && h("p", { class: "small" }, `Written into the bench: ${app.state.batch}.${/^calibrated/.test(app.state.undo || "") ? " Undo takes it back." : ""}`));
  const next = found?.advice.length > 0 && h("div", {},
    h("h3", {}, found.expected_error_mm <= found.goal_mm ? "If you want to know it still better" : "What to read next"),
    h("ol", { class: "steps" }, found.advice.map((a, i) => {
      const [how, drawing] = HOW[kind(a.reading)] || ["", () => null];
      return h("li", {}, i === 0 && drawing(), h("b", {}, units.words(a.reading)), ` (then ${mm(a.after_mm)}). ${how} `,
        h("button", { class: "plain", "data-key": `advice-${i}`, onclick: () => app.showPose(a.pose_deg) }, "Show the pose"));
    })));
  const sweep = found && !found.swept && h("p", { class: "small" }, "No joint was swept yet, so pulse lines and droop are as the class says. “Sweep every joint”, below, does it at a board (handfast open --arms PORT), without an instrument.");
  const values = found?.values.length > 0 && h("details", {}, h("summary", {}, "What was found, figure by figure"),
    table("± one standard deviation; ? means mostly the first guess", ["of", "figure", "value", ""], found.values.map((v) => [
      v.of, ...valueSaid(v), v.known ? "" : "?"])));
  const after = () => null; // what came of it stands above
  return h("div", {},
    h("h2", {}, "Calibrate the bench"),
    taskPart(app, "fit", "Look at the readings again", () => ({}), after),
    state || h("p", { class: "small" }, app.tasks.fit?.going ? "Looking at what the readings say …" : ""),
    next, sweep,
    h("h3", {}, "Take readings"),
    h("p", { class: "small" }, "Keep hands clear while arms are powered, and cut the servo power before you lead them. docs/calibrating.md says what each kind holds."),
    drawReading(app),
    handIn(app, "readings", "Readings of your own (TOML)", ".toml", () => app.startTask("fit", {})),
    taskPart(app, "readings", "Let a simulated maker take the standard readings", () => ({}), after),
    h("h3", {}, "Write them down"),
    app.busy.has("calibrate") && atWork("Writing it into the bench, and asking its routines anew …"),
    h("button", { class: "strong", "data-key": "calibrate", disabled: !app.mayEdit || !found?.readings || app.busy.has("calibrate"), onclick: () => app.calibrate() }, "Write what was found into the bench"),
    values);
}

// What each key of a found value means, and its unit.
const VALUES = {
  wiper_table: ["feedback at its angles (°, counts)", ""], pulse_table: ["pulses at its angles (°, µs)", ""], dead_band_deg: ["error that its servo ignores", "°"],
  full_drive_error_deg: ["error at which its motor gets full voltage", "°"], unseen_play_deg: ["play behind the feedback", "°"], compliance_deg_per_Nm: ["give", "°/N·m"],
  limp_friction_kgcm: ["friction when limp", "kg·cm"], joint_friction_pct: ["friction of the joint itself", "% of its stall torque"],
  hand_tremor_deg: ["how a hand trembles", "°"], offset_mm: ["from the joint before", "mm"], wiper_follows_supply_pct: ["feedback follows the supply", "%"],
  tcp_mm: ["from the last joint to the TCP", "mm"], base_mm: ["place of the base", "mm"], base_yaw_deg: ["turn of the base", "°"],
};

function valueSaid({ key, value, uncertainty }) {
  const [words, unit] = VALUES[key] || [key, ""];
  return [words, `${figure(value)}${uncertainty ? ` ±${figure(uncertainty)}` : ""}${unit && (unit === "°" ? "°" : ` ${unit}`)}`];
}

const figure = (value) => (Array.isArray(value) ? value.map(figure).slice(0, 3).join(", ") + (value.length > 3 ? ", …" : "") : typeof value === "number" ? String(Number(value.toPrecision(3))) : String(value));

// -- scoring ---------------------------------------------------------------------------------------------

function pointsShown(app, r) {
  return h("div", { class: "scored" }, ofAnother(app, r),
    h("p", {}, h("b", {}, `${mm(r.rms_mm, 2)} off`), ` over all visits, root mean square; ${r.of}, kept as ${r.stored}`),
    table(`In the style of ISO 9283, ${units.symbol("mm")}`, ["point", "visits", "AP", "RP"], r.points.map((p) => [p.point, String(p.visits), mm(p.AP_mm, 2), mm(p.RP_mm, 2)])),
    h("p", { class: "small" }, "AP: how far the middle of the visits is off. RP: how far they scatter."),
    table("Where it comes from, root mean square", ["part", "size", "its own figure"], r.parts.map((p) => [p.part, mm(p.rms_mm, 2), units.words(p.value)])),
    r.untold.map((line) => h("p", { class: "small" }, `Cannot be told: ${line}`)));
}

function photoShown(app, r) {
  return h("div", { class: "scored" }, ofAnother(app, r),
    h("p", {}, h("b", {}, `${mm(r.rms_mm, 2)} off`), ` ${r.drawing}, root mean square; worst ${mm(r.worst_mm, 2)}; ${r.drawn_pct.toFixed(0)} % drawn; kept as ${r.stored}`),
    table("What moves the drawing onto the ink", ["part", "figure"], [
      ["shifted", r.offset_mm.map((v) => mm(v, 2)).join(", ")], ["turned", `${r.turn_deg.toFixed(2)}°`], ["size", `${r.scale_pct.toFixed(2)} %`], ["shape left over", mm(r.shape_rms_mm, 2)]]));
}

function drawScore(app) {
  return h("div", {},
    h("h2", {}, `Score what ${app.chosen || "a routine"} did`),
    pointerDrawing(),
    h("h3", {}, "Poses"),
    h("p", { class: "small" }, "Let it go to its poses at least three times, and read at each where the TCP is, with a pointer and rulers. Keep out of reach while it moves."),
    taskPart(app, "score arms", "Play it three times on simulated arms, and read a pointer at each pose", () => ({ routine: app.chosen }), (r) => pointsShown(app, r), !app.chosen),
    handIn(app, "points", "Points of your own (CSV, docs/scoring.md)", ".csv", (file) => app.startTask("score points", { file })),
    taskPart(app, "score points", "Score the same points again", () => ({ file: app.lastFile }), (r) => pointsShown(app, r), !app.lastFile),
    h("h3", {}, "A drawing on the card"),
    h("p", { class: "small" }, "handfast score --card writes the card to print. Photograph all of it, from above; measure its check line with a ruler."),
    h("label", { for: "card-line", class: "choice" }, h("span", {}, "Its check line measures, mm "),
      numberField(app, { id: "card-line", "data-key": "card-line", value: app.cardLine || 100 }, "check line", (number) => {
        if (number > 0) app.cardLine = number;
        else app.say(`The check line: ${number ?? "nothing"} was not taken. Expected: its length in mm as a ruler shows it, about 100.`, "bad");
        app.draw();
      })),
    handIn(app, "photo", `A photo of what ${app.chosen || "the routine"} drew`, ".png,.jpg,.jpeg", (file) =>
      app.startTask("score photo", { file, line_mm: app.cardLine || 100, routine: app.chosen })),
    app.tasks["score photo"] && taskPart(app, "score photo", "Score the same photo again", () => ({ file: app.lastPhoto, line_mm: app.cardLine || 100, routine: app.chosen }), (r) => photoShown(app, r), !app.lastPhoto));
}
