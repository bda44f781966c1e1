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

// Positions of boxes as tall as `gaps`, in the given order, near what is wanted: pushed down
// from the top, then up from the bottom.
function apart(wanted, gaps, low, high) {
  const at = wanted.slice(), between = (i) => (gaps[i - 1] + gaps[i]) / 2;
  for (let i = 0; i < at.length; i++) at[i] = Math.max(at[i], i ? at[i - 1] + between(i) : low + gaps[0] / 2);
  for (let i = at.length - 1; i >= 0; i--) {
    at[i] = Math.min(at[i], i < at.length - 1 ? at[i + 1] - between(i + 1) : high - gaps[i] / 2);
  }
  return at;
}

// Width of a profile (depth, width) at a depth, straight between its points.
function widthAt(profile, mm) {
  const points = profile[0][0] <= profile.at(-1)[0] ? profile : [...profile].reverse();
  const next = points.findIndex(([depth]) => depth >= mm);
  if (next <= 0) return next ? points.at(-1)[1] : points[0][1];
  const [a, wide] = points[next - 1], [b, narrow] = points[next];
  return wide + ((narrow - wide) * (mm - a)) / (b - a);
}

// Both walls of a profile between two depths, as a closed path.
function between(profile, top, bottom, middle, scale, y) {
  const inner = profile.map(([mm]) => mm).filter((mm) => mm > top && mm < bottom).sort((a, b) => a - b);
  const depths = [top, ...inner, bottom];
  const side = (sign) => depths.map((mm) => `${middle + (sign * widthAt(profile, mm) * scale) / 2} ${y(mm)}`);
  return `M${side(-1).join("L")}L${side(1).reverse().join("L")}Z`;
}

function drawDepths(box, strips, letters, whole) {
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
  const bars = { width: near, height: near * 0.22, patternUnits: "userSpaceOnUse" };
  shape(shape(defs, "pattern", { id: "hot", ...bars }), "rect", { ...bars, height: near * 0.13, fill: "var(--instrument)" });
  const others = strips.filter((strip) => !strip.active).length;
  const narrow = Math.min(near * 1.75, (width * 0.36) / Math.max(1, others));
  let x = 0;
  for (const strip of strips) {
    const w = whole ? width / strips.length : strip.active ? width - narrow * others : narrow;
    const part = shape(svg, "g", { transform: `translate(${x} 0)` });
    if (strip.active) {
      shape(part, "rect", { x: 3, y: 3, width: w - 6, height: height - 6, fill: "none", rx: 6,
        stroke: "var(--text)", "stroke-width": 2 + 2 * pen });
    }
    if (whole) alike(part, strip, w, height);
    else if (strip.active) active(part, strip, w, height);
    else quiet(part, strip, w, height);
    x += w;
  }

  function active(part, strip, w, h) {
    const told = legend(strip), low = near * 0.3 + hand * 0.5;
    const top = near * 1.6, bottom = h - low - near * 0.45 - (told.length - 1) * hand;
    const y = (mm) => top + (mm / strip.ruler_mm) * (bottom - top);
    const title = shape(part, "text", { x: near * 0.35, y: near * 1.15, "font-size": near, class: "strong" },
      `\u25b6 ${strip.name}`);
    shrink(title, near, w - near * 0.7);
    const left = hand * 1.2 + 26 * pen, half = Math.min(near * 1.1, w * 0.13), middle = left + near * 0.45 + half;
    ruler(part, left, y, strip.ruler_mm);
    tube(part, strip, middle, half, y);
    tools(part, strip, middle, half, y, top);
    const wider = strip.outline.length ? (half * 2 / strip.outline[0][1]) / ((bottom - top) / strip.ruler_mm) : 0;
    if (wider) told[0] = wider < 1.5 ? "to scale" : `widths \u00d7 ${wider.toFixed(0)}`;
    const lowest = lettering(part, strip, middle + half, w, y, top, h - near * 0.3);
    told.forEach((words, i) => {
      const last = h - hand * 0.55, line = { x: near * 0.35, y: last - (told.length - 1 - i) * hand, "font-size": hand * 0.8, class: "quiet" };
      // Whole where no mark is lettered beside it, else its first part.
      const free = i && lowest < last - hand * 0.8;
      const text = shape(part, "text", line, free ? words : words.replace(/^[^:]*: |, [^,]*$/g, ""));
      shrink(text, hand * 0.8, free ? w - near * 0.7 : middle + half * 1.2 - near * 0.35);
    });
  }

  // What is drawn how wide, below the canal.
  function legend(strip) {
    const tool = strip.marks.find((mark) => mark.in_use);
    return [strip.wl_mm === null ? "" : "widths not known", ...(tool ? [`${tool.name}: ${tool.drawn_as}`] : [])];
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

  // The canal cut lengthwise, as on the computed page: across as many times wider as it says
  // below it. A plain funnel before its size and taper are known.
  function tube(part, strip, middle, half, y) {
    const end = strip.wl_mm === null ? strip.ruler_mm : strip.wl_mm;
    const known = strip.outline.length ? strip.outline : [[0, 1], [end, 0.4]];
    const scale = (half * 2) / known[0][1];
    const cut = (top, bottom, profile = known) =>
      between(profile, Math.max(0, top), Math.min(bottom, end), middle, scale, y);
    shape(part, "path", { d: cut(0, end), fill: "var(--deep)" });
    if (strip.limit_mm !== null && strip.wl_mm !== null) {
      shape(part, "rect", { x: middle - half * 1.25, y: y(strip.limit_mm), width: half * 2.5,
        height: y(end) - y(strip.limit_mm), fill: "url(#kept-free)", stroke: "var(--limit)", "stroke-width": 2 * pen });
    }
    const filled = (d, number) => shape(part, "path", { d, stroke: "var(--text)", "stroke-width": 2 * pen,
      fill: `url(#fill-${number ? 1 + (number % 2) : 0})` });
    const tip = strip.cone.length ? strip.cone[0][0] : end, base = strip.cone.length ? strip.cone.at(-1)[0] : end;
    if (strip.cone_in && strip.cone.length) filled(cut(base, tip, strip.cone), 0);
    for (const fill of strip.fills) filled(cut(fill.top_mm, fill.bottom_mm), fill.number);
    for (const one of strip.planned) {
      shape(part, "path", { d: cut(one.top_mm, one.bottom_mm), fill: "none", stroke: "var(--fill)",
        "stroke-width": 2.5 * pen, "stroke-dasharray": `${1.5 * pen} ${5 * pen}`, "stroke-linecap": "round" });
    }
    if (strip.cone.length && !strip.fills.length) {
      shape(part, "path", { d: cut(base, tip, strip.cone), fill: "none", stroke: "var(--fill)",
        "stroke-width": 2.5 * pen, "stroke-dasharray": strip.cone_in ? "none" : `${9 * pen} ${6 * pen}` });
    }
    shape(part, "path", { d: cut(0, end), fill: "none", stroke: "var(--text)", "stroke-width": 3 * pen,
      "stroke-dasharray": strip.wl_mm === null ? `${4 * pen} ${8 * pen}` : "none" });
    if (strip.wl_mm !== null) {
      shape(part, "path", { d: `M${middle - half * 1.1} ${y(end)}H${middle + half * 1.1}`,
        stroke: "var(--text)", "stroke-width": 6 * pen, "stroke-dasharray": strip.wl_final ? "none" : `${10 * pen} ${7 * pen}` });
    }
  }

  // What is in the canal now is drawn as wide as it is there, a thin line where that is not
  // known: a plugger filled, the heat carrier striped. What was told before is a tick.
  function tools(part, strip, middle, half, y, top) {
    for (const mark of strip.marks.filter((mark) => ["instrument", "heat"].includes(mark.kind))) {
      const foot = y(mark.depth_mm), from = top - near * 0.25, hot = mark.kind === "heat";
      const ink = hot ? "url(#hot)" : "var(--instrument)";
      if (!mark.in_use) {
        shape(part, "path", { d: `M${middle + half * 0.7} ${foot}H${middle + half * 1.15}`,
          stroke: "var(--instrument)", "stroke-width": 5 * pen });
      } else if (mark.outline.length) {
        const [[, tip], [, shank]] = mark.outline, scale = half / strip.outline[0][1];
        const d = `M${middle - tip * scale} ${foot}L${middle - shank * scale} ${y(0)}V${from}` +
          `H${middle + shank * scale}V${y(0)}L${middle + tip * scale} ${foot}Z`;
        shape(part, "path", { d, fill: "var(--deep)", stroke: "var(--deep)", "stroke-width": 6 * pen });
        shape(part, "path", { d, fill: ink, stroke: "var(--instrument)", "stroke-width": 2.5 * pen });
      } else {
        const thin = { fill: "none", stroke: "var(--instrument)", "stroke-width": 3 * pen };
        const bar = `M${middle} ${from}V${foot}`;
        shape(part, "path", { d: bar, stroke: "var(--deep)", "stroke-width": 8 * pen });
        shape(part, "path", { ...thin, d: bar, "stroke-dasharray": hot ? `${7 * pen} ${5 * pen}` : "none" });
        shape(part, "path", { ...thin, d: `M${middle - 7 * pen} ${foot}H${middle + 7 * pen}` });
      }
    }
  }

  // What matters now holds at 2 m; the other marks are small, for whoever stands beside.
  function lettering(part, strip, from, w, y, top, bottom) {
    const marks = strip.marks, x = from + near * 0.85, room = w - x - near * 0.35;
    if (!marks.length) {
      const none = shape(part, "text", { x, y: (top + bottom) / 2, "font-size": near * 0.7, class: "quiet" },
        "no length yet");
      shrink(none, near * 0.7, room);
      return top;
    }
    const wide = (letters, share, strong) => {
      const probe = shape(part, "text", { "font-size": 100 * share, class: strong ? "strong" : "" }, letters);
      const long = probe.getComputedTextLength() / 100;
      probe.remove();
      return long;
    };
    const value = (mark) => mark.value + (mark.beyond ? " !" : "");
    const large = marks.filter((mark) => mark.large), small = marks.filter((mark) => !mark.large);
    const tall = bottom - top, most = (sizes) => Math.max(...sizes, 1e-6), count = Math.max(1, large.length);
    const fits = Math.min(hand * 1.05, room / most(small.map((m) => wide(`${m.name} ${m.value}`, 1, true))));
    const one = most(large.map((m) => wide(`${m.name} `, 0.58, true) + wide(value(m), 1, true)));
    const two = most(large.map((m) => Math.max(wide(m.name, 0.58, true), wide(value(m), 1, true))));
    let less = 0, size = 0, stacked = false;
    // The small ones give way first.
    for (const share of [1, 0.85, 0.7]) {
      less = fits * share;
      const left = tall - small.length * less * 1.12;
      // Name and value on one line, or one above the other, whichever is larger.
      const beside = Math.min(near, left / count / 1.04, room / one), above = Math.min(near, left / count / 1.5, room / two);
      stacked = above > beside * 1.1;
      size = Math.max(stacked ? above : beside, near * 0.3);
      if (size > near * 0.85) break;
    }
    const gaps = marks.map((mark) => (mark.large ? size * (stacked ? 1.5 : 1.04) : less * 1.12));
    const at = apart(marks.map((mark) => y(mark.depth_mm)), gaps, top, bottom);
    const lowest = Math.max(...marks.map((mark, i) => at[i] + gaps[i] / 2));
    marks.forEach((mark, i) => {
      const limit = mark.kind === "limit", style = mark.beyond ? "beyond" : limit ? "limit" : "";
      const ink = limit ? "var(--limit)" : mark.beyond ? "var(--caution)" : "var(--quiet)";
      shape(part, "path", { d: `M${from + 3} ${y(mark.depth_mm)}L${x - 8} ${at[i]}`, fill: "none",
        stroke: ink, "stroke-width": (limit ? 4 : 2) * pen, "stroke-dasharray": limit ? `${10 * pen} ${6 * pen}` : "none" });
      const over = mark.large && stacked, own = mark.large ? size : less;
      const base = at[i] + own * (over ? 0.62 : 0.34);
      const text = shape(part, "text", { x, y: base, class: style });
      const name = { "font-size": mark.large ? size * 0.58 : less };
      if (over) Object.assign(name, { x, y: base - size * 0.86 });
      shape(text, "tspan", name, over ? mark.name : `${mark.name} `);
      const number = { "font-size": own, class: "strong" };
      if (over) Object.assign(number, { x, y: base });
      shape(text, "tspan", number, value(mark));
    });
    return lowest;
  }

  // Name, and what waits there or is done, above a canal that is not worked in.
  function head(part, strip, middle, w) {
    const name = shape(part, "text", { x: middle, y: near * 1.1, "font-size": near, class: "strong afar", "text-anchor": "middle" },
      strip.short);
    shrink(name, near, w - near * 0.2);
    if (strip.warnings) {
      const r = near * 0.56, y0 = near * 1.86;
      shape(part, "path", { d: `M${middle} ${y0 - r}L${middle + r} ${y0 + r * 0.8}H${middle - r}Z`, fill: "var(--warning)" });
      shape(part, "text", { x: middle, y: near * 2.2, "font-size": near * 0.8, class: "strong waits", "text-anchor": "middle" }, "!");
    } else if (strip.absent) {
      shape(part, "path", { d: `M${middle - near * 0.4} ${near * 1.85}H${middle + near * 0.4}`, stroke: "var(--text)", "stroke-width": 6 * pen });
    } else if (strip.finished) {
      shape(part, "text", { x: middle, y: near * 2.15, "font-size": near, class: "strong", "text-anchor": "middle" }, "\u2713");
    }
  }

  function quiet(part, strip, w, h) {
    const top = near * 2.6, bottom = h - near * 0.5;
    const y = (mm) => top + (mm / strip.ruler_mm) * (bottom - top);
    head(part, strip, w / 2, w);
    tube(part, strip, w / 2, Math.min(w * 0.3, near * 0.55), y);
  }

  // The whole tooth: each canal's name, warnings, phase, fill and length, readable at 2 m.
  function alike(part, strip, w, h) {
    const top = near * 2.6, bottom = h - near * 1.75;
    const y = (mm) => top + (mm / strip.ruler_mm) * (bottom - top);
    const half = Math.min((w - near * 1.5) * 0.36, near * 1.1), middle = Math.max(w / 2, near * 1.35 + half * 1.25);
    head(part, strip, w / 2, w);
    tube(part, strip, middle, half, y);
    const phase = shape(part, "text", { transform: `translate(${middle - half * 1.25 - near * 0.28} ${bottom}) rotate(-90)`,
      "font-size": near, class: "afar" }, strip.phase);
    shrink(phase, near, bottom - top);
    const length = strip.wl_mm === null ? "\u2013" : String(+strip.wl_mm.toFixed(2));
    const text = shape(part, "text", { x: w / 2, y: h - near * 0.45, "font-size": near, class: "strong afar", "text-anchor": "middle" },
      length);
    shrink(text, near, w - near * 0.2);
  }
}
