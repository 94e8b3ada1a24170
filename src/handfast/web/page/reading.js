// Taking readings at limp arms: what is read is said here; counts, supply and ways come from the board.
import { h } from "./dom.js";

// Each kind: what it is, whether it is of an arm or of a joint, and its numbers.
const KINDS = {
  rock: ["Link on a stop from both sides", "joint", ["angle, °"]],
  gauge: ["Link on a stop from one side", "joint", ["angle, °"]],
  touch: ["TCP in a dimple", "arm", ["x, mm", "y, mm", "z, mm"]],
  meet: ["Both TCPs tip to tip", "", []],
  bar: ["Both TCPs at a bar's ends", "", ["length, mm"]],
  level: ["Level along a link", "joint", ["tilt, °"]],
  pull: ["Pull that just turns a joint", "joint", ["pull, N", "lever, mm"]],
  loose: ["Light pull within the play", "joint", ["pull, N", "lever, mm"]],
  sag: ["Weight on a powered arm", "arm", ["weight, g"]],
  push: ["Push at a powered arm", "arm", ["x, N", "y, N", "z, N"]],
};

export function drawReading(app) {
  if (!app.arms) return h("p", { class: "small" }, "At a board of your own: handfast open --arms PORT, then readings are taken here, arm by arm.");
  const r = app.reading;
  if (!r?.going)
    return h("div", {},
      r?.ended && h("p", { class: "run-line", role: "status" }, r.ended),
      h("button", { class: "plain", "data-key": "read", disabled: !app.mayEdit, onclick: () => app.ask("read") }, "Take readings at the arms"),
      h("p", { class: "small" }, "They go limp: hold them before you begin."),
      h("button", { class: "plain", "data-key": "sweep", disabled: !app.mayEdit, onclick: () => app.ask("sweep") }, "Sweep every joint"),
      h("p", { class: "small" }, "Needs no instrument: the arms get power, go up by themselves, and move one joint after the other for some ten minutes. Hands out; STOP, or the switch, ends it, and what was read stays."));
  if (r.sweeps)
    return h("div", {},
      h("p", { class: "run-line", role: "status" }, r.said.at(-1) || "The arms go up and stir, which shows what the supply does."),
      h("p", { class: "small" }, "Hands out. STOP ends it; what was read stays."));
  const mine = app.reads;
  const [, of, numbers] = KINDS[mine.kind];
  const named = of === "joint" ? ["left", "right"].flatMap((arm) => app.bench.arms[arm].joints.map((j) => `${arm} ${j.name}`)) : of === "arm" ? ["left", "right"] : [];
  if (named.length && !named.includes(mine.of)) mine.of = named[0];
  const last = r.said.at(-1) || "";
  const say = async (line) => {
    mine.asked = true; // until something is heard of it
    app.draw();
    if (await app.ask("read line", { line })) return;
    mine.asked = false;
    app.draw();
  };
  const field = (id, words, value, heard, more = {}) =>
    h("label", { for: id }, h("span", {}, words), h("input", { id, "data-key": id, inputmode: "decimal", autocomplete: "off", value, oninput: (e) => heard(e.target.value), ...more }));
  return h("div", { class: "reading" },
    h("p", { class: "run-line", role: "status" }, last || "The board is asked."),
    mine.asked && h("p", { class: "small" }, "Said to it; its answer is worked out … ", h("progress", { "aria-label": "waiting for its answer" })),
    h("form", { class: "reading-form", onsubmit: (e) => {
      e.preventDefault();
      say([mine.kind, of && mine.of, ...numbers.map((_, i) => mine.numbers[i] || ""), mine.good && `good to ${mine.good}`].filter(Boolean).join(" "));
    } },
      h("label", { for: "read-kind", class: "is-wide" }, h("span", {}, "What you read"), h("select", { id: "read-kind", "data-key": "read-kind", onchange: (e) => {
        mine.kind = e.target.value;
        app.draw();
      } }, Object.entries(KINDS).map(([kind, [words]]) => h("option", { value: kind, selected: kind === mine.kind }, words)))),
      named.length > 0 && h("label", { for: "read-of" }, h("span", {}, of), h("select", { id: "read-of", "data-key": "read-of", onchange: (e) => (mine.of = e.target.value) },
        named.map((name) => h("option", { value: name, selected: name === mine.of }, name)))),
      numbers.map((words, i) => field(`read-${i}`, words, mine.numbers[i] || "", (text) => (mine.numbers[i] = text), { required: true })),
      field("read-good", "good to (if you can say)", mine.good, (text) => (mine.good = text)),
      h("button", { class: "strong", type: "submit", "data-key": "read-it" }, "Read this")),
    h("p", { class: "choice" },
      h("button", { class: "plain", "data-key": "read-there", onclick: () => say("") }, "It is there, or done"),
      h("button", { class: "plain", "data-key": "read-no", onclick: () => say("no") }, "Not that one"),
      h("button", { class: "plain", "data-key": "read-undo", onclick: () => say("undo") }, "Take the last one back"),
      h("button", { class: "plain", "data-key": "read-next", onclick: () => say("next") }, "What helps most now?")),
    h("form", { class: "choice", onsubmit: (e) => {
      e.preventDefault();
      if (mine.answer.trim()) say(mine.answer);
      mine.answer = "";
      app.draw();
    } },
      field("read-answer", "Answer, mm", mine.answer, (text) => (mine.answer = text)),
      h("button", { class: "plain", type: "submit", "data-key": "read-answer-it" }, "Answer"),
      h("button", { class: "plain", type: "button", "data-key": "limp-left", onclick: () => say("limp left") }, "Left arm limp"),
      h("button", { class: "plain", type: "button", "data-key": "limp-right", onclick: () => say("limp right") }, "Right arm limp")),
    h("ul", { class: "reading-said", "aria-label": "What was said before" }, r.said.slice(-9, -1).reverse().map((line) => h("li", {}, line))),
    h("button", { class: "strong", "data-key": "end-reading", onclick: () => app.ask("end reading") }, "End: the servo power goes off"));
}
