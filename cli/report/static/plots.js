"use strict";
/* What the parts of the page share: unpacking, colours of the moment, axes, one list of plots. */
const Page = (() => {
  const plots = new Set();
  const numbers = JSON.parse(document.getElementById("numbers").textContent);

  /* Packed by cli/report/numbers.py: value = lo + step * code, 65535 is missing. */
  function unpack(part) {
    const raw = atob(part.d), out = new Float64Array(raw.length / 2);
    for (let i = 0; i < out.length; i++) {
      const code = raw.charCodeAt(2 * i) | (raw.charCodeAt(2 * i + 1) << 8);
      out[i] = code === 65535 ? NaN : part.lo + part.step * code;
    }
    return out;
  }

  /* uPlot leaves a gap for null, not for NaN. */
  const gapped = (values) => Array.from(values, (v) => (Number.isNaN(v) ? null : v));

  const cache = new Map();
  function colour(name) {
    if (!cache.has(name)) {
      cache.set(name, getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim());
    }
    return cache.get(name);
  }

  function decimals(step) {
    return Math.min(9, Math.max(0, Math.ceil(-Math.log10(step) - 1e-9)));
  }

  function values(scale) {
    return (u, splits, axis, space, step) =>
      splits.map((v) => (v === null ? "" : (v * scale).toFixed(decimals(step * scale))));
  }

  function axis(extra) {
    return Object.assign({
      stroke: () => colour("ink"),
      font: "12px system-ui, sans-serif",
      labelFont: "12px system-ui, sans-serif",
      labelSize: 18,
      size: 32,
      grid: { stroke: () => colour("grid"), width: 1 },
      ticks: { stroke: () => colour("grid"), width: 1 },
      values: values(1),
    }, extra);
  }

  /* A plot as wide as its element that follows its size. */
  function plot(element, options, data) {
    const size = () => ({ width: Math.max(80, element.clientWidth), height: element.clientHeight });
    const made = new uPlot(Object.assign({
      legend: { show: false }, ...size(),
    }, options), data, element);
    plots.add(made);
    made.follow = () => made.setSize(size());
    return made;
  }

  /* Fixed limits with some air; a flat line gets air too. */
  function around(low, high) {
    const air = (high - low) * 0.08 || Math.abs(high) * 0.1 || 1;
    return [low - air, high + air];
  }

  function extent(arrays) {
    let low = Infinity, high = -Infinity;
    for (const one of arrays) {
      for (const v of one) {
        if (v < low) low = v;
        if (v > high) high = v;
      }
    }
    return low <= high ? [low, high] : [0, 1];
  }

  function button(text, pressed, onClick, key) {
    const made = document.createElement("button");
    made.type = "button";
    if (pressed !== null) made.setAttribute("aria-pressed", String(pressed));
    if (key) made.append(keySign(key));
    const words = document.createElement("span");
    words.textContent = text;
    made.append(words);
    made.addEventListener("click", () => onClick(made));
    return made;
  }

  /* A short piece of the curve, as it is drawn. */
  function keySign(key) {
    const space = "http://www.w3.org/2000/svg";
    const svg = document.createElementNS(space, "svg");
    svg.setAttribute("viewBox", "0 0 34 14");
    svg.setAttribute("aria-hidden", "true");
    const mark = document.createElementNS(space, key.area ? "rect" : "path");
    const shape = key.area ? { x: 1, y: 1, width: 32, height: 12, fill: `var(--${key.colour})` } :
      { d: "M1 7h32", class: "key-line", stroke: `var(--${key.colour})`,
        "stroke-dasharray": (key.dash || []).join(" ") };
    for (const [name, value] of Object.entries(shape)) mark.setAttribute(name, value);
    svg.append(mark);
    return svg;
  }

  function theme(name) {
    document.documentElement.dataset.theme = name;
    cache.clear();
    for (const one of plots) one.redraw(false, true);
  }

  return { numbers, unpack, gapped, colour, axis, values, decimals, plot, plots, around, extent, button, theme };
})();
