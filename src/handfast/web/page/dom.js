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

// Keep what has the focus where it was when a part of the page is drawn anew.
export function keepingFocus(at, draw) {
  const key = at.contains(document.activeElement) ? document.activeElement.dataset.key : undefined;
  const scroll = at.scrollTop;
  draw();
  at.scrollTop = scroll;
  if (key !== undefined) at.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({ preventScroll: true });
}

export const clamp = (x, low, high) => Math.min(high, Math.max(low, x));
