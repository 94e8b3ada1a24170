// The bar at the top: the bench, its routines, undo, and whoever holds the controls.
import { h } from "./dom.js";
import { units } from "./units.js";

export function drawTop(app) {
  const { undo, redo, trouble, folder } = app.state;
  const watching = app.holder !== app.you;
  return [
    h("header", { class: "top" },
      h("h1", {}, app.bench.name, app.bench.invented ? h("small", {}, " invented figures") : null),
      h("label", { for: "routine" }, h("span", {}, "Routine"), h("select", {
        id: "routine", "data-key": "routine", onchange: (e) => app.choose(e.target.value),
      }, app.chosen && !app.bench.routines.includes(app.chosen) && h("option", { value: "", selected: true, disabled: true }, `${app.chosen} (gone)`),
      app.bench.routines.map((name) => h("option", { value: name, selected: name === app.chosen }, name)))),
      h("button", { class: "plain", disabled: !app.mayEdit || !undo, onclick: () => app.undo(), "data-key": "undo", title: undo || "" }, "Undo"),
      h("button", { class: "plain", disabled: !app.mayEdit || !redo, onclick: () => app.undo("redo"), "data-key": "redo", title: redo || "" }, "Redo"),
      h("button", { class: "plain", disabled: !app.mayEdit || !app.routine, onclick: () => app.edit({ edit: "correct" }), "data-key": "correct" }, "Correct the landing"),
      h("button", { class: "plain", "aria-pressed": String(app.measuring), onclick: () => app.measure(!app.measuring), "data-key": "measuring" }, app.measuring ? "Back to the routine" : "Measure the bench"),
      h("button", { class: "plain", onclick: () => {
        units.other = !units.other;
        app.draw();
      }, "data-key": "units" }, units.other ? "Show mm, kg·cm" : "Show inches, N·m"),
      h("button", { class: "plain", onclick: () => app.open("close", {}), "data-key": "close" }, "Other bench"),
      h("span", { class: "small folder" }, folder)),
    watching && h("p", { class: "band" }, app.holder ? "Another window holds the controls; this one watches." : "Nobody holds the controls.",
      h("button", { class: "plain", onclick: () => app.ask("controls"), "data-key": "controls" }, "Take the controls")),
    trouble && h("p", { class: "band is-bad" }, `${trouble}\nThe picture shows the bench as it could last be read.`),
  ];
}
