// A new bench, step by step: size, each arm joint by joint, bases on the table, things; every figure says what it is.
import { h, typed } from "./dom.js";

const STAGES = ["Name and size", "Left arm", "Right arm", "On the table", "Things", "Lay it down"];
const JOINT = ["servo", "offset_mm", "travel_deg", "mass_g"];
const THING = { size_mm: [40, 40, 60], mass_g: 60, grip_width_mm: 40, grip_height_mm: 10 };

export function begin(app) {
  app.building = { stage: 0, name: "my-bench", left: 5, right: 5, side_by_side: false, changed: {}, things: {} };
}

// What was filled in so far outlasts a page that is loaded anew.
const KEPT = "handfast-building";
const keep = (b) => (b ? sessionStorage.setItem(KEPT, JSON.stringify(b)) : sessionStorage.removeItem(KEPT));
export const kept = () => JSON.parse(sessionStorage.getItem(KEPT) || "null");

// Values that differ from the blank bench, as a tree by key.
function put(tree, keys, value) {
  const [key, ...rest] = keys;
  if (!rest.length) tree[key] = value;
  else put((tree[key] ??= {}), rest, value);
}

const now = (b, keys) => {
  const own = keys.reduce((at, key) => at?.[key], b.changed);
  return own ?? keys.reduce((at, key) => at?.[key], b.values);
};

const asked = (b) => {
  const values = structuredClone(b.changed);
  if (Object.keys(b.things).length) values.thing = b.things;
  return { name: b.name.trim(), left: b.left, right: b.right, side_by_side: b.side_by_side, values };
};

export function drawBuild(app) {
  const b = app.building;
  keep(b);
  const stages = [size, (a) => arm(a, "left"), (a) => arm(a, "right"), table, things, last];
  return h("div", { class: "first build" },
    h("h1", {}, "A new bench"),
    h("ol", { class: "stages" }, STAGES.map((words, i) =>
      h("li", { class: i === b.stage ? "is-now" : "", "aria-current": i === b.stage ? "step" : null }, `${i + 1} ${words}`))),
    h("form", { onchange: () => keep(b), onsubmit: async (e) => {
      e.preventDefault();
      if (b.stage === 0) {
        const key = `${b.left} ${b.right} ${b.side_by_side}`;
        if (b.of !== key) {
          const said = await app.ask("blank", { left: b.left, right: b.right, side_by_side: b.side_by_side });
          if (!said) return;
          Object.assign(b, said, { of: key, changed: {} });
        }
      }
      if (b.stage < STAGES.length - 1) {
        if (!(await app.ask("check bench", asked(b)))) return;
        app.notes.clear(); // what was refused is mended
        b.stage += 1;
        app.draw();
        app.body.querySelector(".build h2")?.focus();
      } else lay(app);
    } },
      stages[b.stage](app),
      h("p", { class: "choice" },
        h("button", { class: "plain", type: "button", "data-key": "build-back", onclick: () => {
          if (b.stage) b.stage -= 1;
          else keep((app.building = null));
          app.draw();
        } }, b.stage ? "Back" : "Leave it"),
        h("button", { class: "strong", type: "submit", "data-key": "build-on" }, b.stage < STAGES.length - 1 ? "Go on" : "Lay it down"))));
}

const heading = (words) => h("h2", { tabindex: "-1" }, words);
const why = (id, text) => h("small", { id }, text);
const said = (b, kind) => {
  const x = b.explained[kind];
  return x ? `${x.why}; ${x.expected}` : "";
};

function field(id, words, text, input) {
  input.setAttribute("id", id);
  input.setAttribute("data-key", id);
  input.setAttribute("aria-describedby", `${id}-why`);
  return h("label", { for: id }, h("span", {}, words), input, why(`${id}-why`, text));
}

// Numbers as they are typed. Where blanks or semicolons part them, a comma between figures is a decimal one.
function numbersOf(text, many) {
  const parted = /[;\s]/.test(text.trim());
  const words = !many ? [text] : text.split(parted ? /\s*;\s*|,?\s+/ : ",");
  return words.filter((word) => word.trim()).map((word) => typed(word) ?? NaN);
}

// A figure, or several with commas: what is typed is kept as numbers.
function figure(b, keys, kind, words) {
  const value = now(b, keys);
  const many = Array.isArray(value);
  const id = `build-${keys.join("-")}`;
  const input = h("input", { inputmode: "decimal", required: true, value: many ? value.join(", ") : value, onchange: (e) => {
    const numbers = numbersOf(e.target.value, many);
    const wrong = numbers.some((x) => !Number.isFinite(x)) || numbers.length !== (many ? value.length : 1);
    e.target.setCustomValidity(wrong ? `${many ? `${value.length} numbers, with commas between` : "one number"}` : "");
    e.target.reportValidity();
    if (wrong) e.stopPropagation(); // what was typed stays, to be mended
    else put(b.changed, keys, many ? numbers : numbers[0]);
  } });
  return field(id, words, said(b, kind), input);
}

function size(app) {
  const b = app.building;
  const count = (side) => field(`build-${side}`, `Joints of the ${side} arm`, "4 to 7 joints, the gripper not counted", h("input", {
    type: "number", min: 4, max: 7, value: b[side], required: true, onchange: (e) => (b[side] = Number(e.target.value)),
  }));
  return h("div", { class: "fields" }, heading("Name and size"),
    field("build-name", "Name of its folder", `a plain name; the folder is made in ${app.first.root}`, h("input", { value: b.name, required: true, onchange: (e) => (b.name = e.target.value) })),
    count("left"), count("right"),
    h("label", { class: "tick-box", for: "build-side" }, h("input", { id: "build-side", type: "checkbox", checked: b.side_by_side, onchange: (e) => (b.side_by_side = e.target.checked) }),
      h("span", {}, "side by side (else they face each other)")));
}

function arm(app, side) {
  const b = app.building;
  const rows = b.values.arms[side].joint;
  return h("div", {}, heading(`The ${side} arm, from the base outwards`),
    h("p", {}, "Lengths are taken with the arm stretched straight up, its zero pose: x forwards, y to its left, z up."),
    rows.map((joint, i) => h("fieldset", { class: "fields" }, h("legend", {}, `${i + 1} ${joint.name}`),
      JOINT.map((key) => {
        const keys = ["arms", side, "joint", String(i), key];
        if (key !== "servo") return figure(b, keys, `joint.${key}`, { offset_mm: "from the joint before, mm", travel_deg: "travel, degrees", mass_g: "mass of its link, g" }[key]);
        return field(`build-${keys.join("-")}`, "servo", `${b.explained["joint.servo"].why}; ${b.stock.find((s) => s.name === now(b, keys))?.note || ""}`,
          h("select", { onchange: (e) => {
            put(b.changed, keys, e.target.value);
            app.draw();
          } }, b.stock.map((s) => h("option", { value: s.name, selected: s.name === now(b, keys) }, `${s.name}, ${s.stall_torque_kgcm} kg·cm`))));
      }))),
    h("fieldset", { class: "fields" }, h("legend", {}, "gripper"),
      figure(b, ["arms", side, "gripper", "tcp_mm"], "arm.gripper", "from the last joint to the tool centre point, mm"),
      figure(b, ["arms", side, "gripper", "mass_g"], "joint.mass_g", "mass, g")));
}

function table(app) {
  const b = app.building;
  const [low, high] = [b.values.table.low_mm, b.values.table.high_mm];
  // As much is drawn as holds the table and both bases.
  const spots = ["left", "right"].map((side) => now(b, ["arms", side, "base_mm"]));
  const from = [0, 1].map((k) => Math.min(low[k], ...spots.map((p) => p[k])));
  const to = [0, 1].map((k) => Math.max(high[k], ...spots.map((p) => p[k])));
  const scale = 220 / Math.max(to[0] - from[0], to[1] - from[1]);
  const X = (x) => 16 + (x - from[0]) * scale;
  const Y = (y) => 16 + (to[1] - y) * scale;
  const beside = (p) => Math.hypot(...[0, 1].map((k) => Math.max(low[k] - p[k], 0, p[k] - high[k])));
  const spot = (side) => {
    const [x, y] = now(b, ["arms", side, "base_mm"]);
    const yaw = (now(b, ["arms", side, "base_yaw_deg"]) * Math.PI) / 180;
    return h("g", {}, h("circle", { cx: X(x), cy: Y(y), r: 11, class: side === "left" ? "art-mark" : "art-hand" }),
      h("line", { x1: X(x), y1: Y(y), x2: X(x) + 26 * Math.cos(yaw), y2: Y(y) - 26 * Math.sin(yaw), class: side === "left" ? "art-mark" : "art-hand" }),
      h("text", { x: X(x), y: Y(y) + 28, class: "tick", "text-anchor": "middle" }, side));
  };
  return h("div", {}, heading("Where they stand on the table"),
    h("svg", { class: "plan", viewBox: "0 0 252 252", role: "img", "aria-label": "The table from above with both bases" },
      h("rect", { x: X(low[0]), y: Y(high[1]), width: (high[0] - low[0]) * scale, height: (high[1] - low[1]) * scale, class: "art-joint" }), spot("left"), spot("right")),
    spots.map((p, i) => beside(p) > 0.5 && h("p", { class: "band is-bad", role: "alert" }, `The ${["left", "right"][i]} base stands ${beside(p).toFixed(0)} mm beside the table. If it does, make the table larger in bench.toml afterwards; if not, mend its place.`)),
    ["left", "right"].map((side) => h("fieldset", { class: "fields", onchange: () => app.draw() }, h("legend", {}, `${side} base`),
      figure(b, ["arms", side, "base_mm"], "arm.base_mm", "place, mm"), figure(b, ["arms", side, "base_yaw_deg"], "arm.base_yaw_deg", "turned, degrees"))),
    h("fieldset", { class: "fields" }, h("legend", {}, "supply"), figure(b, ["supply", "voltage_V"], "supply.voltage_V", "voltage, V"), figure(b, ["supply", "limit_A"], "supply.limit_A", "current, A")));
}

function things(app) {
  const b = app.building;
  const names = Object.keys(b.things);
  return h("div", {}, heading("What the arms handle"),
    h("p", {}, "One at least, if they shall grip, pass or carry something."),
    names.map((name) => h("fieldset", { class: "fields" }, h("legend", {}, name),
      Object.keys(THING).map((key) => figure({ ...b, values: { thing: b.things }, changed: { thing: b.things } }, ["thing", name, key], `thing.${key}`,
        { size_mm: "size, mm", mass_g: "mass, g", grip_width_mm: "width between the pads, mm", grip_height_mm: "grip above its middle, mm" }[key])),
      h("button", { class: "plain", type: "button", "data-key": `drop-${name}`, onclick: () => {
        delete b.things[name];
        app.draw();
      } }, `Take ${name} out`))),
    h("p", { class: "choice" }, h("label", { for: "thing-name" }, h("span", {}, "Name of a thing "), h("input", { id: "thing-name", "data-key": "thing-name", value: b.next ?? "pot", onchange: (e) => (b.next = e.target.value) })),
      h("button", { class: "plain", type: "button", "data-key": "add-thing", onclick: () => {
        const name = (b.next ?? "pot").trim();
        if (!/^[A-Za-z][\w-]*$/.test(name) || b.things[name]) {
          app.say("A thing's name is a word of its own: letters, figures and hyphens.", "bad");
          return;
        }
        b.things[name] = structuredClone(THING);
        b.next = "";
        app.draw();
      } }, "Add it")));
}

function last(app) {
  const b = app.building;
  const count = (tree) => (tree && typeof tree === "object" && !Array.isArray(tree) ? Object.values(tree).reduce((n, x) => n + count(x), 0) : 1);
  return h("div", {}, heading("Lay it down"),
    h("p", {}, `The folder ${b.name} is made in ${app.first.root}: two arms of ${b.left} and ${b.right} joints, ${Object.keys(b.things).length || "no"} ${Object.keys(b.things).length === 1 ? "thing" : "things"}, ${count(b.changed)} ${count(b.changed) === 1 ? "figure" : "figures"} of your own; all others are guesses to begin with.`),
    h("p", {}, "Everything stands in its bench.toml with what it means, and can be changed there at any time; this page follows the file. Measure the bench before you trust the answers."));
}

async function lay(app) {
  const b = app.building;
  const done = await app.ask("lay down", asked(b));
  if (!done) return;
  keep((app.building = null));
  await app.take(done);
}
