// The canals to scale, as SVG. Depths come from the program; only pixels are made here.
"use strict";

const SVG = "http://www.w3.org/2000/svg";

function shape(parent, name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  parent.append(made);
  return made;
}

function hatch(defs, id, ground, ink, step, directions) {
  const side = { width: step, height: step };
  const made = shape(defs, "pattern", { id, ...side, patternUnits: "userSpaceOnUse" });
  shape(made, "rect", { ...side, fill: ground });
  const lines = { stroke: ink, "stroke-width": Math.max(1, step / 7), "stroke-linecap": "square" };
  if (directions.includes("up")) {
    const d = `M0 ${step}L${step} 0M${-step / 2} ${step / 2}L${step / 2} ${-step / 2}` +
      `M${step / 2} ${step * 1.5}L${step * 1.5} ${step / 2}`;
    shape(made, "path", { d, ...lines });
  }
  if (directions.includes("down")) {
    const d = `M0 0L${step} ${step}M${step / 2} ${-step / 2}L${step * 1.5} ${step / 2}` +
      `M${-step / 2} ${step / 2}L${step / 2} ${step * 1.5}`;
    shape(made, "path", { d, ...lines });
  }
}

// Positions at least `gap` apart, in the given order, near what is wanted: pushed down
// from the top, then up from the bottom.
function apart(wanted, gap, low, high) {
  const at = wanted.slice();
  for (let i = 0; i < at.length; i++) at[i] = Math.max(at[i], i ? at[i - 1] + gap : low);
  for (let i = at.length - 1; i >= 0; i--) {
    at[i] = Math.min(at[i], i < at.length - 1 ? at[i + 1] - gap : high);
  }
  return at;
}

function drawDepths(box, strips, letters) {
  box.replaceChildren();
  const width = box.clientWidth, height = box.clientHeight;
  if (!strips.length || width < 20 || height < 20) return;
  const { near, hand } = letters, pen = near / 58; // thickness of lines that are drawn
  const words = strips.map((strip) => strip.text).join(". ");
  const svg = shape(box, "svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": words });
  const defs = shape(svg, "defs", {});
  hatch(defs, "kept-free", "var(--limit-ground)", "var(--limit)", near * 0.36, ["up"]);
  hatch(defs, "fill-0", "var(--fill-ground)", "var(--fill)", near * 0.3, ["up", "down"]);
  hatch(defs, "fill-1", "var(--fill-ground)", "var(--fill)", near * 0.34, ["down"]);
  hatch(defs, "fill-2", "var(--fill-ground)", "var(--fill)", near * 0.34, ["up"]);
  const narrow = near * 1.6;
  const others = strips.filter((strip) => !strip.active).length;
  const allAlike = others === strips.length;
  let x = 0;
  strips.forEach((strip, index) => {
    const wide = allAlike ? width / strips.length : width - narrow * others;
    const w = strip.active || allAlike ? wide : narrow;
    const part = shape(svg, "g", { transform: `translate(${x} 0)` });
    if (strip.active) active(part, defs, strip, w, height, letters);
    else quiet(part, defs, strip, index, w, height, letters);
    x += w;
  });

  function active(part, defs, strip, w, h) {
    const top = near * 1.45, bottom = h - near * 0.5;
    const y = (mm) => top + (mm / strip.ruler_mm) * (bottom - top);
    shape(part, "rect", { x: 3, y: 3, width: w - 6, height: h - 6, fill: "none", rx: 6,
      stroke: "var(--text)", "stroke-width": 2 + 2 * pen });
    const title = shape(part, "text", { x: near * 0.3, y: near * 0.98, "font-size": near, class: "strong" },
      `\u25b6 ${strip.name}`);
    shrink(title, near, w - near * 0.6);
    const left = hand * 1.2 + 26 * pen, half = Math.min(near * 0.95, w * 0.11), middle = left + near * 0.45 + half;
    ruler(part, left, y, strip.ruler_mm);
    tube(part, defs, "active", strip, middle, half, y);
    tools(part, strip, middle, half, y, top);
    lettering(part, strip, middle + half, w, y, top, bottom);
    if (strip.outline.length) {
      const wider = (half * 2 / strip.outline[0][1]) / ((bottom - top) / strip.ruler_mm);
      shape(part, "text", { x: near * 0.3, y: h - hand * 0.45, "font-size": hand * 0.8, class: "quiet" },
        wider < 1.5 ? "to scale" : `${wider.toFixed(0)} times wider across`);
    }
  }

  function shrink(text, size, room) {
    const long = text.getComputedTextLength();
    if (long > room) text.setAttribute("font-size", (size * room) / long);
  }

  function ruler(part, x, y, mm) {
    const size = hand * 0.95;
    shape(part, "path", { d: `M${x} ${y(0)}V${y(mm)}`, stroke: "var(--quiet)", "stroke-width": 1.5 * pen });
    for (let depth = 0; depth <= mm; depth++) {
      const long = depth % 5 === 0;
      shape(part, "path", { d: `M${x - (long ? 10 : 5) * pen} ${y(depth)}H${x}`, stroke: "var(--quiet)",
        "stroke-width": (long ? 2.5 : 1.2) * pen });
      if (long) {
        shape(part, "text", { x: x - 14 * pen, y: y(depth) + size * 0.36, "font-size": size,
          class: "quiet", "text-anchor": "end" }, String(depth));
      }
    }
  }

  // The prepared canal, across as many times wider as is said below it; a plain funnel
  // before its size and taper are known.
  function tube(part, defs, id, strip, middle, half, y) {
    const end = y(strip.wl_mm === null ? strip.ruler_mm : strip.wl_mm);
    const known = strip.outline.length ? strip.outline : [[0, 1], [strip.wl_mm ?? strip.ruler_mm, 0.4]];
    const scale = half / known[0][1];
    const left = known.map(([mm, wide]) => `${middle - wide * scale} ${y(mm)}`);
    const right = known.map(([mm, wide]) => `${middle + wide * scale} ${y(mm)}`).reverse();
    const outline = `M${left.join("L")}L${right.join("L")}`;
    const clip = shape(defs, "clipPath", { id: `tube-${id}` });
    shape(clip, "path", { d: `${outline}Z` });
    shape(part, "path", { d: `${outline}Z`, fill: "var(--deep)" });
    if (strip.limit_mm !== null && strip.wl_mm !== null) {
      const from = y(strip.limit_mm);
      shape(part, "rect", { x: middle - half * 1.25, y: from, width: half * 2.5, height: end - from,
        fill: "url(#kept-free)", stroke: "var(--limit)", "stroke-width": 2 * pen });
    }
    for (const fill of strip.fills) {
      shape(part, "rect", { x: middle - half, y: y(fill.top_mm), width: half * 2,
        height: Math.max(0, y(fill.bottom_mm) - y(fill.top_mm)), stroke: "var(--text)", "stroke-width": 2 * pen,
        fill: `url(#fill-${fill.number ? 1 + (fill.number % 2) : 0})`, "clip-path": `url(#tube-${id})` });
    }
    shape(part, "path", { d: outline, fill: "none", stroke: "var(--text)", "stroke-width": 3 * pen,
      "stroke-dasharray": strip.wl_mm === null ? `${4 * pen} ${8 * pen}` : "none" });
    if (strip.wl_mm !== null) {
      shape(part, "path", { d: `M${middle - half * 1.1} ${end}H${middle + half * 1.1}`,
        stroke: "var(--text)", "stroke-width": 6 * pen, "stroke-dasharray": strip.wl_final ? "none" : `${10 * pen} ${7 * pen}` });
    }
  }

  // What is in the canal now is drawn: a plugger as a bar with a flat foot, the heat carrier
  // dotted with a point. What was told before is a tick on the wall.
  function tools(part, strip, middle, half, y, top) {
    for (const mark of strip.marks.filter((mark) => ["instrument", "heat"].includes(mark.kind))) {
      const x = middle, foot = y(mark.depth_mm), from = top - near * 0.25;
      if (!mark.in_use) {
        shape(part, "path", { d: `M${middle + half * 0.7} ${foot}H${middle + half * 1.15}`,
          stroke: "var(--instrument)", "stroke-width": 5 * pen });
      } else if (mark.kind === "heat") {
        const tip = `M${x - 9 * pen} ${foot - 16 * pen}L${x} ${foot}L${x + 9 * pen} ${foot - 16 * pen}Z`;
        shape(part, "path", { d: `M${x} ${from}V${foot}`, stroke: "var(--deep)", "stroke-width": 12 * pen });
        shape(part, "path", { d: `M${x} ${from}V${foot - 8 * pen}`, stroke: "var(--instrument)",
          "stroke-width": 6 * pen, "stroke-dasharray": `${7 * pen} ${5 * pen}` });
        shape(part, "path", { d: tip, fill: "var(--instrument)", stroke: "var(--deep)" });
      } else {
        const bar = `M${x} ${from}V${foot}`, sole = `M${x - 13 * pen} ${foot - 3 * pen}H${x + 13 * pen}`;
        shape(part, "path", { d: bar, stroke: "var(--deep)", "stroke-width": 13 * pen });
        shape(part, "path", { d: bar + sole, stroke: "var(--instrument)", "stroke-width": 7 * pen });
      }
    }
  }

  function lettering(part, strip, from, w, y, top, bottom) {
    const marks = strip.marks, x = from + near * 0.85, room = w - x - near * 0.2;
    if (!marks.length) {
      shape(part, "text", { x, y: (top + bottom) / 2, "font-size": near * 0.7, class: "quiet" },
        "no length yet");
      return;
    }
    // Name and value on one line, or one above the other, whichever is larger.
    const wide = (letters, share, strong) => {
      const probe = shape(part, "text", { "font-size": 100 * share, class: strong ? "strong" : "" }, letters);
      const long = probe.getComputedTextLength() / 100;
      probe.remove();
      return long;
    };
    const tall = bottom - top;
    const sizes = marks.map((mark) => {
      const value = wide(mark.value + (mark.beyond ? " !" : ""), 1, true);
      return [wide(`${mark.name} `, 0.58, mark.kind === "limit") + value, Math.max(wide(mark.name, 0.58, true), value)];
    });
    const beside = Math.min(near, room / Math.max(...sizes.map((s) => s[0])), tall / marks.length / 1.02);
    const above = Math.min(near, room / Math.max(...sizes.map((s) => s[1])), tall / marks.length / 1.5);
    const stacked = above > beside * 1.1, size = stacked ? above : beside, gap = size * (stacked ? 1.5 : 1.02);
    const at = apart(marks.map((mark) => y(mark.depth_mm)), gap, top + gap * 0.3,
      bottom - size * (stacked ? 0.45 : 0.15));
    marks.forEach((mark, i) => {
      const limit = mark.kind === "limit", style = mark.beyond ? "beyond" : limit ? "limit" : "";
      const ink = limit ? "var(--limit)" : mark.beyond ? "var(--caution)" : "var(--quiet)";
      shape(part, "path", { d: `M${from + 3} ${y(mark.depth_mm)}L${x - 8} ${at[i]}`, fill: "none",
        stroke: ink, "stroke-width": (limit ? 4 : 2) * pen, "stroke-dasharray": limit ? `${10 * pen} ${6 * pen}` : "none" });
      const base = at[i] + size * (stacked ? 0.62 : 0.34);
      const text = shape(part, "text", { x, y: base, class: style });
      const name = { "font-size": size * 0.58 };
      if (stacked) Object.assign(name, { x, y: base - size * 0.86 });
      shape(text, "tspan", name, stacked ? mark.name : `${mark.name} `);
      const value = { "font-size": size, class: "strong" };
      if (stacked) Object.assign(value, { x, y: base });
      shape(text, "tspan", value, mark.value + (mark.beyond ? " !" : ""));
    });
  }

  // The other canals side by side: name, depth of the limit, fill, and what waits there.
  function quiet(part, defs, strip, index, w, h) {
    const top = near * 1.45, bottom = h - near * 0.5;
    const y = (mm) => top + (mm / strip.ruler_mm) * (bottom - top);
    const middle = w * (w > 1.5 * narrow ? 0.55 : 0.75), half = Math.min(w * 0.19, near);
    tube(part, defs, `n${index}`, strip, middle, half, y);
    const size = near * 0.6;
    const length = strip.wl_mm === null ? "" : `, limit ${+strip.limit_mm.toFixed(2)}`;
    const text = shape(part, "text", { transform: `translate(${middle - half * 1.25 - size * 0.35} ${bottom}) rotate(-90)`, "font-size": size },
      `${strip.name}${length}`);
    shrink(text, size, bottom - top);
    const mark = strip.warnings ? "!" : strip.finished ? "\u2713" : "";
    if (strip.warnings) {
      const r = near * 0.62, x = middle, y0 = near * 0.75;
      shape(part, "path", { d: `M${x} ${y0 - r}L${x + r} ${y0 + r * 0.8}H${x - r}Z`, fill: "var(--warning)" });
    }
    const style = strip.warnings ? "strong waits" : "strong";
    if (mark) shape(part, "text", { x: middle, y: near * 1.12, "font-size": near * 0.8, class: style, "text-anchor": "middle" }, mark);
  }
}
