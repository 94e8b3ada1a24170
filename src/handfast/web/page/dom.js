// Elements by name, with their attributes, listeners and children.
const SVG = "http://www.w3.org/2000/svg";
const DRAWN = new Set(["svg", "path", "line", "rect", "circle", "g", "text", "polyline", "polygon", "title", "pattern", "defs"]);

export function h(name, attributes = {}, ...children) {
  const at = DRAWN.has(name) ? document.createElementNS(SVG, name) : document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) at.addEventListener(key.slice(2), value);
    else if (key === "value") at.value = value;
    else if (key === "checked" || key === "disabled" || key === "open") at[key] = Boolean(value);
    else at.setAttribute(key, value === true ? "" : String(value));
  }
  at.append(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false));
  return at;
}

export function put(at, ...children) {
  at.replaceChildren(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false));
}

// Keep what has the focus where it was when a part of the page is drawn anew, with what is half typed there; and what
// was laid open, open.
export function keepingFocus(at, draw) {
  const before = at.contains(document.activeElement) ? document.activeElement : null;
  const typing = before?.isNumber && before.value !== before.drawn && [before.value, before.selectionStart, before.selectionEnd];
  const key = before?.dataset.key;
  const scroll = at.scrollTop;
  const laid = (one) => one.querySelector("summary")?.textContent;
  const open = new Set([...at.querySelectorAll("details[open]")].map(laid));
  draw();
  for (const one of at.querySelectorAll("details")) if (open.has(laid(one))) one.open = true;
  at.scrollTop = scroll;
  if (key === undefined) return;
  const now = at.querySelector(`[data-key="${CSS.escape(key)}"]`);
  now?.focus({ preventScroll: true });
  if (!typing || !now) return;
  now.value = typing[0];
  now.setSelectionRange(typing[1], typing[2]);
}

// Something is worked at, and nobody knows how long it takes.
export const working = (words) => h("div", { class: "waiting" }, h("p", {}, words), h("progress", { "aria-label": words }),
  h("p", { class: "small later" }, "Still at work. The first time on a machine, the numerical kernels are compiled for it: about a minute, once."));

// The number that was typed, with a point or a comma; null where nothing was, undefined where it is none.
export function typed(text) {
  const plain = text.trim().replace("−", "-").replace(",", ".");
  if (!plain) return null;
  return /^[-+]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : undefined;
}

// A field for a number. It is text, so that a comma is not dropped without a word; what is no number is left as it was
// and said. heard: gets the number, or null where the field was emptied.
export function numberField(app, attributes, what, heard) {
  const field = h("input", { inputmode: "decimal", autocomplete: "off", ...attributes, onchange: (e) => {
    const { value } = e.target;
    e.target.drawn = value; // it is not half typed any more
    const number = typed(value);
    if (number !== undefined) heard(number);
    else {
      app.say(`${what}: “${value.slice(0, 40)}” is no number, and was not taken. Expected: figures, with a point or a comma before the decimals.`, "bad");
      app.draw();
    }
  } });
  return Object.assign(field, { isNumber: true, drawn: field.value });
}

export const clamp = (x, low, high) => Math.min(high, Math.max(low, x));
