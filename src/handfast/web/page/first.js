// The first page: open the seedling bench, a folder, or lay down a new bench.
import { h } from "./dom.js";

const why = (id, text) => h("small", { id }, text);

export function drawFirst(app) {
  const { root, benches } = app.first;
  const asked = { name: "my-bench", left: 5, right: 5, side_by_side: false };
  const number = (key, words) => h("label", { for: `new-${key}` }, h("span", {}, words), h("input", {
    id: `new-${key}`, type: "number", min: 4, max: 7, value: asked[key], "aria-describedby": `why-${key}`,
    onchange: (e) => (asked[key] = Number(e.target.value)),
  }), why(`why-${key}`, "4 to 7 joints, the gripper not counted"));
  return h(
    "div", { class: "first" },
    h("h1", {}, "handfast"),
    h("p", { class: "lead" }, "Where will a pair of sloppy, hand-taught arms really land, and what brings them home?"),
    h("div", { class: "ways" },
      h("section", {}, h("h2", {}, "Try the seedling bench"),
        h("p", {}, "Two arms of five joints pass plug pots, carry a seed tray and write pot labels. All its figures are invented."),
        h("button", { class: "strong", "data-key": "seedling", onclick: () => app.open("seedling", {}) }, "Open the seedling bench")),
      h("section", {}, h("h2", {}, "Open one of your benches"),
        benches.length
          ? h("ul", { class: "benches" }, benches.map((b) => h("li", {},
              h("button", { class: "plain", disabled: Boolean(b.trouble), onclick: () => app.open("open", { path: b.path }) }, b.name),
              h("small", {}, b.trouble || `${b.path}, ${b.routines} ${b.routines === 1 ? "routine" : "routines"}`))))
          : h("p", {}, `There is no bench folder in ${root} yet.`)),
      h("section", {}, h("h2", {}, "Lay down a new bench"),
        h("form", { onsubmit: (e) => {
          e.preventDefault();
          app.open("lay down", { ...asked, values: {} });
        } },
          h("label", { for: "new-name" }, h("span", {}, "Name of its folder"), h("input", {
            id: "new-name", value: asked.name, required: true, "aria-describedby": "why-name", onchange: (e) => (asked.name = e.target.value),
          }), why("why-name", `a plain name; the folder is made in ${root}`)),
          number("left", "Joints of the left arm"), number("right", "Joints of the right arm"),
          h("label", { class: "tick-box", for: "new-side" }, h("input", {
            id: "new-side", type: "checkbox", onchange: (e) => (asked.side_by_side = e.target.checked),
          }), h("span", {}, "side by side (else they face each other)")),
          h("button", { class: "strong", type: "submit" }, "Lay it down")),
        h("p", { class: "small" }, "Lengths, servos, bases and things then stand in its bench.toml, each with what it means; this page follows the file as you edit it.")),
    ),
  );
}
