// The routine as a sheet: time runs down, one column for each arm, a step as high as it takes long.
import { h, numberField } from "./dom.js";
import { units } from "./units.js";

const PER_SECOND = 64; // px
const LEAST = 30; // px: lower than this, a step's name would not fit
const NAME = 21; // px: height of that name, and of a line below it, as in look.css
const LINE = 16;
const FIGURES = [
  ["time_s", "takes", "s", "how long the step takes; empty: as fast as the arms can"],
  ["dwell_s", "then stays", "s", "rest after the step"],
  ["pace", "pace", "", "share of the highest sound speed, 0.02 to 1"],
  ["tolerance_mm", "may miss by", "mm", "how far it may land from where it was taught"],
];

// Heights follow time, but no block is lower than its words; both columns are stretched alike. A step that takes no time
// gets the height of its words, between what ends and what begins at its moment.
function scale(blocks, duration) {
  const times = [...new Set([0, duration, ...blocks.flatMap((b) => [b.start_s, b.end_s])])].sort((a, b) => a - b);
  const ends = new Map();
  const begins = new Map();
  const instants = (t, arm) => blocks.filter((b) => b.start_s === t && b.end_s === t && b.arm === arm);
  times.forEach((t, i) => {
    let low = i ? begins.get(times[i - 1]) + (t - times[i - 1]) * PER_SECOND : 0;
    for (const b of blocks) if (b.end_s === t && b.start_s < t) low = Math.max(low, begins.get(b.start_s) + LEAST);
    ends.set(t, low);
    begins.set(t, low + LEAST * Math.max(instants(t, "left").length, instants(t, "right").length));
  });
  const y = (s) => {
    if (begins.has(s)) return begins.get(s);
    const i = times.findIndex((t) => t > s);
    if (i < 0) return begins.get(times.at(-1));
    const [a, b] = [times[Math.max(i - 1, 0)], times[i]];
    return begins.get(a) + ((ends.get(b) - begins.get(a)) * (s - a)) / Math.max(b - a, 1e-9);
  };
  const place = (b) => {
    if (b.start_s < b.end_s) return [begins.get(b.start_s), ends.get(b.end_s)];
    const top = ends.get(b.start_s) + LEAST * instants(b.start_s, b.arm).indexOf(b);
    return [top, top + LEAST];
  };
  return { y, place };
}

// A step's card: its name, and as many whole lines of what it does as there is height for.
function words(step, said, height) {
  const lines = Math.floor((height - 6 - NAME) / LINE);
  const sign = step.corrected && (lines ? "corrected" : h("abbr", { title: "corrected" }, "corr."));
  return [
    h("span", { class: "step-name" }, h("span", { class: "step-title" }, step.title), lines < 1 && sign ? h("span", { class: "step-sign" }, sign) : null),
    lines > 0 && h("span", { class: "step-said", style: `-webkit-line-clamp:${lines}` }, sign ? h("i", {}, `${sign}, `) : null, said.replace(/^\d+ /, "")),
  ];
}

export function drawSheet(app) {
  const { sheet } = app.routine;
  const blocks = sheet.blocks;
  const { y, place } = scale(blocks, sheet.duration_s);
  app.sheetY = y;
  const both = (b) => sheet.steps[b.step].arms.length === 2 && ["pass", "carry"].includes(sheet.steps[b.step].do);
  const seen = new Set();
  const cards = blocks.flatMap((b) => {
    const step = sheet.steps[b.step];
    const spans = both(b);
    if (spans && seen.has(b.step)) return [];
    seen.add(b.step);
    const mine = spans ? blocks.filter((x) => x.step === b.step) : [b];
    const to = Math.max(...mine.map((x) => x.end_s));
    const top = Math.min(...mine.map((x) => place(x)[0]));
    const height = Math.max(...mine.map((x) => place(x)[1])) - top - 3;
    const side = spans ? "both" : b.arm;
    const marked = app.marked?.step === b.step && (spans || app.marked.arm === b.arm);
    return h(
      "button",
      {
        class: `step at-${side}${marked ? " is-marked" : ""}`, "data-key": `step-${b.step}-${side}`, "data-step": b.step,
        style: `top:${top}px;height:${height}px`, "aria-pressed": String(marked),
        onclick: () => app.mark(b.step, spans ? step.arms[0] : b.arm, to),
      },
      words(step, units.words(step.said[spans ? step.arms[0] : b.arm] || ""), height),
    );
  });
  const end = y(sheet.duration_s);
  const marks = [];
  for (let s = 0; s <= sheet.duration_s; s++) marks.push(h("span", { class: "second", style: `top:${y(s)}px` }, `${s} s`));
  app.line = h("div", { class: "now", style: "top:0" });
  return h(
    "section", { class: "sheet", "aria-label": "Sheet of the routine" },
    h("div", { class: "sheet-heads" }, h("span", {}, ""), h("h2", {}, "Left arm"), h("h2", {}, "Right arm")),
    h("div", { class: "sheet-body", style: `height:${end + 12}px` }, marks, cards, app.line),
  );
}

const neat = (x) => Number(x.toPrecision(8)); // without the crumbs of turning units over

export function drawStep(app) {
  const { sheet } = app.routine;
  if (!app.marked || !sheet.steps[app.marked.step])
    return h("section", { class: "step-more", "aria-label": "Step" }, h("h2", {}, "Step"),
      h("p", { class: "small" }, "Choose a step on the sheet: its pose and its figures can be changed here."));
  const { step: number, arm } = app.marked;
  const step = sheet.steps[number];
  const ask = (edit, more = {}) => app.edit({ edit, step: number, ...more });
  const figure = ([key, words, unit, why]) => {
    const shown = step.figures[key] ?? "";
    const id = `figure-${key}`;
    const lengthy = unit === "mm";
    return h("label", { for: id, title: why }, h("span", {}, `${words} ${lengthy ? units.symbol("mm") : unit}`),
      numberField(app, { id, "data-key": id, value: shown === "" ? "" : lengthy ? neat(units.out(shown, "mm")) : shown, disabled: !app.mayEdit }, words,
        (number) => ask("figure", { key, value: number === null || !lengthy ? number : neat(units.back(number, "mm")) })));
  };
  const doing = (words, act, off = false) =>
    h("button", { class: "plain", disabled: !app.mayEdit || off, onclick: act, "data-key": `do-${words}` }, words);
  return h(
    "section", { class: "step-more", "aria-label": "Step" },
    h("h2", {}, `Step ${step.title}`),
    step.arms.length === 2 && h("p", { class: "choice", role: "group", "aria-label": "Arm" }, step.arms.map((side) =>
      h("button", { class: "plain", "aria-pressed": String(side === arm), onclick: () => app.mark(number, side), "data-key": `arm-${side}` }, `${side} arm`))),
    h("div", { class: "figures" }, FIGURES.map(figure)),
    h("div", { class: "doings" },
      doing("Earlier", () => ask("move", { by: -1 }), number === 0),
      doing("Later", () => ask("move", { by: 1 }), number === sheet.steps.length - 1),
      doing("Double it", () => ask("double")),
      doing("Mirror it", () => ask("mirror")),
      doing("Wait 0.5 s after it", () => ask("wait", { value: 0.5 })),
      doing("Take it out", () => ask("drop"))),
    step.pose_deg[arm] ? joints(app, arm, poseOf(app, step, arm)) : h("p", { class: "small" }, "This step has no pose of its own."),
  );
}

// As it was last turned, if that is not yet in the file.
function poseOf(app, step, arm) {
  const { posed } = app.marked;
  return posed?.arm === arm ? posed.q.map((x) => (x * 180) / Math.PI) : step.pose_deg[arm];
}

function joints(app, arm, pose) {
  const own = app.bench.arms[arm];
  return h(
    "div", { class: "joints" },
    h("h3", {}, `Pose of the ${arm} arm`),
    own.joints.map((joint, i) => {
      const id = `joint-${i}`;
      const out = h("output", { for: id }, `${pose[i].toFixed(1)}°`);
      return h("label", { for: id }, h("span", {}, joint.name),
        h("input", {
          id, "data-key": id, type: "range", min: joint.travel_deg[0], max: joint.travel_deg[1], step: 0.5, value: pose[i],
          disabled: !app.mayEdit,
          oninput: (e) => {
            out.textContent = `${Number(e.target.value).toFixed(1)}°`;
            app.posing.turn(arm, i, Number(e.target.value));
          },
          onchange: () => app.posing.dropped(arm, true),
        }), out);
    }),
    drawPaddle(app, 5, "TCP", (i, by) => app.posing.shift(arm, i, by), !app.mayEdit),
  );
}

// How the paddle drags, and the same moves as buttons of so many mm, for whoever has no pointer.
export function drawPaddle(app, size, what, move, off = false) {
  const sign = (way) => (way < 0 ? "−" : "+");
  return [
    h("p", { class: "choice", role: "group", "aria-label": "Plane in which the paddle drags" }, h("span", { class: "small" }, "The paddle drags across"),
      ["X", "Y", "Z"].map((letter) => h("button", {
        class: "plain", "aria-pressed": String(app.facing === letter), "data-key": `facing-${letter}`, onclick: () => app.face(letter),
      }, letter))),
    h("div", { class: "doings" }, ["X", "Y", "Z"].flatMap((axis, i) => [-1, 1].map((way) =>
      h("button", {
        class: "plain", disabled: off, "data-key": `by-${axis}${way}`, "aria-label": `${axis} ${sign(way)}${size}: ${what} ${way < 0 ? "back" : "on"} ${size} mm along ${axis}`,
        onclick: () => move(i, way * size),
      }, `${axis} ${sign(way)}${size}`)))),
  ];
}
