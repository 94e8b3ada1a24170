// The first page: open the seedling bench, a folder, or lay down a new bench.
import { begin, drawBuild, kept } from "./build.js";
import { h } from "./dom.js";

export function drawFirst(app) {
  const { root, benches } = app.first;
  app.building ??= kept();
  if (app.building) return drawBuild(app);
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
      h("section", {}, h("h2", {}, "Build a new bench"),
        h("p", {}, "Arm by arm and joint by joint: servos from stock, bases on the table, things. Every figure says what it is."),
        h("button", { class: "strong", "data-key": "build", onclick: () => {
          begin(app);
          app.draw();
        } }, "Build it step by step"),
        h("p", { class: "small" }, "All of it then stands in the folder's bench.toml, each figure with what it means; this page follows the file as you edit it.")),
    ),
  );
}
