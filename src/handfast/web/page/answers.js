// The questions: one line each, opened to their plot, their worst moment, why, and what would change them.
import { clamp, h } from "./dom.js";
import { units } from "./units.js";

export const SIGNS = { fails: "✕", tight: "≈", holds: "✓" };

export function marginText(a) {
  const edges = [a.limit, a.enough];
  if (a.unit === "×" && a.margin >= 99) return "over 99 ×";
  if (a.unit === "×") return `${shown(a.margin, 2, edges).toFixed(2)} ×`;
  if (a.unit === "mm") return units.number(shown(a.margin, 1, edges), "mm", 1);
  return `${shown(a.margin, 1, edges).toFixed(1)} ${a.unit}`;
}

// Rounded, but never onto or over an edge that it lies below: a figure does not contradict its verdict.
function shown(value, places, edges) {
  const step = 10 ** -places;
  let rounded = Math.round(value / step) * step;
  for (const edge of edges) {
    if (value < edge && rounded >= edge - 1e-9) rounded = Math.ceil(edge / step - 1e-9) * step - step;
  }
  return rounded;
}

// How much room is left: a rule from the limit to what is enough, and a wedge where this answer stands.
function roomRule(a) {
  const x = (room) => 14 + 36 * clamp(room, -0.6, 2.2) + 22;
  const at = x(a.room);
  const mark = `${at},12 ${at - 5},3 ${at + 5},3`;
  return h(
    "svg", { class: "room", viewBox: "0 0 120 20", "aria-hidden": "true" },
    h("line", { x1: 4, y1: 14, x2: 116, y2: 14, class: "rule" }),
    h("rect", { x: 4, y: 12.5, width: x(0) - 4, height: 4, class: "rule-bad" }),
    h("line", { x1: x(0), y1: 9, x2: x(0), y2: 19, class: "rule-tick" }),
    h("line", { x1: x(1), y1: 11, x2: x(1), y2: 17, class: "rule-tick" }),
    h("polygon", { points: mark, class: `rule-mark is-${a.verdict}` }),
  );
}

export function plot(a, duration, onTime) {
  const points = a.curve;
  if (points.length < 2) return null;
  const W = 320;
  const T = 132;
  const [l, r, t, b] = [40, 8, 8, 24];
  const own = a.unit === "mm" ? units.out(1, "mm") : 1;
  // A landing's plot shows the miss in mm; the others show the margin itself.
  const isMiss = a.question === "miss";
  const scale = isMiss ? units.out(1, "mm") : own;
  const values = points.map((p) => p[1] * scale);
  const marks = isMiss ? [] : [a.limit * own, a.enough * own];
  let low = Math.min(...values, ...marks);
  let high = Math.max(...values, ...marks);
  if (!isMiss && Number.isFinite(a.enough)) high = Math.min(high, Math.max(a.enough * own * 4, a.limit * own + 1, low * 1.5));
  if (isMiss) low = 0;
  const pad = (high - low) * 0.06 || 1;
  high += pad;
  if (!isMiss) low -= pad;
  const X = (s) => l + ((W - l - r) * s) / Math.max(duration, 1e-6);
  const Y = (v) => t + ((T - t - b) * (high - clamp(v, low, high))) / (high - low);
  const line = points.map(([s], i) => `${X(s).toFixed(1)},${Y(values[i]).toFixed(1)}`).join(" ");
  const ticks = [low + pad, (low + high) / 2, high - pad];
  const unit = isMiss ? units.symbol("mm") : a.unit === "mm" ? units.symbol("mm") : a.unit;
  const where = a.when_s === null ? null : clamp(a.when_s, 0, duration);
  const svg = h(
    "svg", { class: "plot", viewBox: `0 0 ${W} ${T}`, role: "img", "aria-label": `${a.question} over the time of the routine` },
    ticks.map((v) => [
      h("line", { x1: l, y1: Y(v), x2: W - r, y2: Y(v), class: "grid" }),
      h("text", { x: l - 5, y: Y(v) + 3.5, class: "tick", "text-anchor": "end" }, Math.abs(v) >= 20 ? v.toFixed(0) : v.toFixed(1)),
    ]),
    !isMiss && a.limit * own >= low && [
      h("line", { x1: l, y1: Y(a.limit * own), x2: W - r, y2: Y(a.limit * own), class: "limit" }),
      h("text", { x: W - r - 2, y: Y(a.limit * own) - 3, class: "tick", "text-anchor": "end" }, "limit"),
    ],
    isMiss
      ? points.map(([s], i) => h("circle", { cx: X(s), cy: Y(values[i]), r: 2.6, class: "dot" }))
      : h("polyline", { points: line, class: "curve" }),
    where !== null && h("line", { x1: X(where), y1: t, x2: X(where), y2: T - b, class: "worst" }),
    h("text", { x: l, y: T - 7, class: "tick" }, "0 s"),
    h("text", { x: W - r, y: T - 7, class: "tick", "text-anchor": "end" }, `${duration.toFixed(1)} s`),
    h("text", { x: (l + W - r) / 2, y: T - 7, class: "tick", "text-anchor": "middle" }, isMiss ? `miss, ${unit}` : `margin, ${unit}`),
  );
  svg.addEventListener("click", (event) => {
    const box = svg.getBoundingClientRect();
    onTime(clamp((((event.clientX - box.left) / box.width) * W - l) / (W - l - r), 0, 1) * duration);
  });
  return svg;
}

export function drawAnswers(app) {
  const { answers, tried } = app.routine;
  const duration = answers.duration_s;
  const rows = answers.answers.map((a) => {
    const isOpen = app.opened === a.question;
    const id = `answer-${a.question}`;
    return h(
      "li", { class: `answer is-${a.verdict}` },
      h(
        "button",
        {
          class: "answer-line", "aria-expanded": String(isOpen), "aria-controls": id, "data-key": id, "data-question": a.question,
          onclick: () => app.openAnswer(isOpen ? null : a.question),
        },
        h("span", { class: "answer-name" }, a.question),
        h("span", { class: "answer-margin" }, marginText(a)),
        roomRule(a),
        h("span", { class: "answer-word" }, h("span", { "aria-hidden": "true" }, SIGNS[a.verdict]), ` ${a.verdict}`),
      ),
      h("div", { id, class: "answer-more", hidden: !isOpen }, isOpen ? opened(app, a, duration, tried) : null),
    );
  });
  return h(
    "section", { class: "answers", "aria-label": "Answers" },
    h("h2", {}, "Will it hold?"),
    h("ul", { class: "answer-list" }, rows),
    answers.left_out.map((l) => h("p", { class: "small" }, `${l.question}: ${l.why}.`)),
    h(
      "p", { class: "small" },
      "The rule: left tick, it just does not fail; right tick, enough. The wedge shows where this answer stands.",
    ),
  );
}

function opened(app, a, duration, tried) {
  return [
    h("p", {}, h("b", {}, `${a.asks[0].toUpperCase()}${a.asks.slice(1)}?`), ` Margin: ${units.words(a.margin_is)}.`),
    plot(a, duration, (s) => app.goTo(s)),
    h(
      "p", {}, `Worst: ${a.where}`, a.when_s === null ? ". " : ` at ${a.when_s.toFixed(2)} s. `,
      units.words(a.why[0].toUpperCase() + a.why.slice(1)), ".",
    ),
    a.when_s !== null &&
      h("button", { class: "plain", onclick: () => app.goTo(a.when_s, a.step, a.arm), "data-key": `go-${a.question}` }, "Show that moment"),
    a.verdict === "holds"
      ? null
      : h(
          "div", { class: "changes" },
          h("h3", {}, "What would change it"),
          a.changes.length > 0 && h("p", { class: "small" }, "Room: below 0 it fails, from 1 on it is enough."),
          !tried
            ? h("p", { class: "small" }, "Trying changes …")
            : a.changes.length
              ? h(
                  "ul", {},
                  a.changes.map((c, i) =>
                    h(
                      "li", {}, h("span", {}, units.words(c.change)),
                      h("span", { class: `then is-${c.verdict}` }, `${SIGNS[c.verdict]} then it ${becomes(c.verdict)} (room ${shown(c.room, 2, [0, 1]).toFixed(2)})${c.conflict ? `; ${c.conflict}` : ""}`),
                      h(
                        "button", {
                          class: "plain", disabled: !app.mayEdit, "data-key": `try-${a.question}-${i}`,
                          "aria-label": `Try it: ${c.change}`, onclick: () => app.edit({ edit: "change", question: a.question, words: c.change }),
                        }, "Try it",
                      ),
                    ),
                  ),
                )
              : h("p", { class: "small" }, "No single change that was tried gives it more room."),
        ),
  ];
}

function becomes(verdict) {
  return { fails: "still fails, by less", tight: "is tight", holds: "holds" }[verdict];
}
