// Teaching by hand: the lamp and the sounds of the board, what is told to it, and the sheet that grows meanwhile.
import { h } from "./dom.js";
import { drawPaddle } from "./sheet.js";

const KEYS = [
  [" ", "Store this pose now"], ["u", "Take the last one back"], ["t", "Next thing"], ["a", "Left: grip or release"],
  ["b", "Right: grip or release"], ["c", "Both: grip or release"], ["p", "Pass from left"], ["r", "Pass from right"],
  ["k", "Carry together"], ["s", "Left stroke: begin or end"], ["d", "Right stroke: begin or end"],
];

// The sounder's cues, as the board plays them: one low note, stored; two high ones, refused.
const NOTES = { 1: [[440, 0, 0.18]], 2: [[880, 0, 0.1], [880, 0.16, 0.1]] };

export class Sounder {
  play(cue) {
    this.played = [...(this.played || []), cue];
    try {
      this.audio ??= new AudioContext();
      for (const [pitch, after, length] of NOTES[cue] || []) {
        const from = this.audio.currentTime + after;
        const tone = this.audio.createOscillator();
        const level = this.audio.createGain();
        tone.frequency.value = pitch;
        level.gain.setValueAtTime(0.2, from);
        level.gain.linearRampToValueAtTime(0, from + length);
        tone.connect(level).connect(this.audio.destination);
        tone.start(from);
        tone.stop(from + length);
      }
    } catch {
      // No sound here: the words and the lamp say the same.
    }
  }
}

export const lampWords = (level) => (level <= 0 ? "dark: moving, or just stored" : level < 255 ? "glowing: the brighter, the stiller the arm is held" : "full: held still");

export function drawTeaching(app) {
  const t = app.teaching;
  if (!t?.going) return drawBegin(app);
  app.lamp = h("span", { class: "lamp", "aria-hidden": "true", style: `--level:${(t.lamp / 255).toFixed(2)}` });
  app.lampSays = h("span", {}, `Lamp ${lampWords(t.lamp)}`);
  return h("section", { class: "teaching", "aria-label": "Teaching" },
    h("h2", {}, `Teaching ${t.name}`),
    h("p", { class: "lamp-row" }, app.lamp, app.lampSays),
    h("p", { class: "run-line", role: "status" }, t.said || "Recording."),
    app.arms ? h("p", { class: "small" }, "The arms are limp: lead them by hand. They sink when you let go.") : drawLeading(app),
    h("h3", {}, "Say what the hands mean"),
    h("div", { class: "doings" }, KEYS.map(([letter, words]) =>
      h("button", { class: "plain", "data-key": `press-${letter}`, onclick: () => app.ask("press", { letter }) }, words))),
    h("button", { class: "strong", "data-key": "end-teaching", onclick: () => app.ask("end teaching") }, "End, and write the routine"),
    h("p", { class: "small" }, "An arm that is held still stores its pose: the lamp goes dark, one low note sounds. Every sample is on disk within a second."));
}

function drawBegin(app) {
  const ended = app.teaching;
  return h("details", { class: "teaching", open: app.teachOpen, ontoggle: (e) => (app.teachOpen = e.target.open) },
    h("summary", {}, "Teach by hand"),
    ended?.ended && h("p", { class: "run-line", role: "status" }, ended.ended),
    ended?.remarks?.map((line) => h("p", { class: "small" }, line)),
    ended?.ended && !ended.routine && ended.kept && h("p", { class: "bar-row" }, h("span", { class: "small" }, `What was recorded is kept as ${ended.name}.`),
      h("button", { class: "plain", "data-key": "teach-on", disabled: !app.mayEdit, onclick: () => app.teach(ended.name, true) }, "Go on with it")),
    h("p", { class: "small" }, app.arms ? "The arms go limp: hold them before you begin." : "On simulated arms, which go limp: lead them with the paddle as you would by hand. Real arms: handfast open --arms PORT."),
    h("form", { class: "choice", onsubmit: (e) => {
      e.preventDefault();
      app.teach(e.target.elements["teach-name"].value.trim());
    } },
      h("label", { for: "teach-name" }, h("span", {}, "Name of the routine "), h("input", { id: "teach-name", name: "teach-name", "data-key": "teach-name", required: true, maxlength: 60, value: app.teachName || "taught", oninput: (e) => (app.teachName = e.target.value) })),
      h("button", { class: "plain", type: "submit", disabled: !app.mayEdit, "data-key": "teach" }, "Begin to teach")));
}

// The sheet while it is taught: what was told, in the order of time, each in its arm's column.
export function drawTaughtSheet(app) {
  const told = app.teaching.told;
  let poses = 0;
  const side = (words) => (/^(left|right)\b/.exec(words)?.[1] || "both");
  return h("section", { class: "sheet", "aria-label": "Sheet" },
    h("h2", {}, "Sheet"),
    h("p", { class: "small" }, "Being taught; its times become the routine's when you end."),
    h("div", { class: "sheet-heads" }, h("span", {}), h("b", {}, "left arm"), h("b", {}, "right arm")),
    told.length
      ? h("ol", { class: "told" }, told.map((e) => {
          if (/\bpose$/.test(e.words)) poses += 1;
          return h("li", { class: `told-at-${side(e.words)}`, "data-words": e.words }, h("span", { class: "told-time" }, `${e.time_s.toFixed(1)} s`),
            h("span", { class: `told-card step at-${side(e.words)}` }, h("b", {}, /\bpose$/.test(e.words) ? `pose ${poses}` : e.words), /\bpose$/.test(e.words) ? ` ${side(e.words)}` : ""));
        }))
      : h("p", { class: "small" }, "Nothing is stored yet. Lead an arm somewhere and hold it still."));
}

// On simulated arms there is no hand: the paddle leads, or a simulated one.
function drawLeading(app) {
  const lead = (side) => h("button", {
    class: "plain", "aria-pressed": String(app.leads === side), "data-key": `lead-${side}`, onclick: () => app.leadWith(side),
  }, `${side} arm`);
  return h("div", {},
    h("h3", {}, "Lead it with the paddle"),
    h("p", { class: "choice", role: "group", "aria-label": "Arm that you lead" }, lead("left"), lead("right"),
      h("button", { class: "plain", "data-key": "let-go", onclick: () => app.ask("let go") }, "Let go of both")),
    drawPaddle(app, 20, "lead the TCP", (i, by) => app.leadBy(i, by)),
    app.bench.routines.length > 0 && h("div", {},
      h("h3", {}, "Or let a simulated hand do it"),
      h("p", { class: "choice" },
        h("label", { for: "through" }, h("span", { class: "small" }, "through the poses of "), h("select", { id: "through", "data-key": "through", onchange: (e) => (app.through = e.target.value) },
          app.bench.routines.map((name) => h("option", { value: name, selected: name === (app.through || app.chosen) }, name)))),
        h("button", { class: "plain", "data-key": "through-go", onclick: () => app.ask("lead through", { routine: app.through || app.chosen }) }, "Lead it through"))));
}
