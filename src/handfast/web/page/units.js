// Units as makers use them, or the other set; what comes in words is turned over too.
const OTHER = {
  mm: { symbol: "in", factor: 1 / 25.4, more: 2 }, // 1 in = 25.4 mm exactly (international yard and pound, 1959)
  "mm/s": { symbol: "in/s", factor: 1 / 25.4, more: 1 },
  "kg·cm": { symbol: "N·m", factor: 0.0980665, more: 1 }, // standard gravity, 3rd CGPM 1901
  g: { symbol: "oz", factor: 1 / 28.349523125, more: 2 },
};
const SAID = /(-?\d+(?:\.\d+)?)([  ])(mm\/s|mm|kg·cm)(?![\w²³])/g;

export const units = {
  other: false,
  number(value, unit, places) {
    const turn = this.other ? OTHER[unit] : undefined;
    const shown = turn ? value * turn.factor : value;
    return `${shown.toFixed(places + (turn ? turn.more : 0))} ${turn ? turn.symbol : unit}`;
  },
  symbol(unit) {
    return this.other && OTHER[unit] ? OTHER[unit].symbol : unit;
  },
  out(value, unit) {
    return this.other && OTHER[unit] ? value * OTHER[unit].factor : value;
  },
  back(value, unit) {
    return this.other && OTHER[unit] ? value / OTHER[unit].factor : value;
  },
  words(text) {
    if (!this.other) return text;
    return text.replace(SAID, (all, figure, gap, unit) => {
      const places = (figure.split(".")[1] || "").length;
      return this.number(Number(figure), unit, places).replace(" ", gap);
    });
  },
};
