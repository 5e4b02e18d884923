// The pictures of runs that have ended: laid round, stroke by stroke, and unrolled over time.

import { el, fit, node, px } from "./dom.js";
import { showFigure } from "./lengths.js";
import { drawRound, drawTwoRounds } from "./round.js";
import { drawStrokes } from "./strokes.js";
import { word } from "./words.js";

const STEP_NM = 1000;
const EDGE = 26;

export function drawPast(place, run, unit) {
  const { result, laid, trace, record } = run;
  const shape = figure(place, "shape");
  if (result?.kind === "runout" && laid) drawRound(...shape, result, laid, record.settings.studs);
  else if (result?.kind === "endplay" && result.strokes.length) drawStrokes(...shape, result.strokes, unit, STEP_NM);
  else shape[0].parentElement.remove();
  unrolled(place, [trace], unit);
}

export function drawTwo(place, first, second, unit) {
  if (first.laid?.angle_deg.length && second.laid?.angle_deg.length) {
    const [svg, caption] = figure(place, "shape");
    drawTwoRounds(svg, caption, first.laid, second.laid, first.result.limit_mm?.max);
  }
  unrolled(place, [first.trace, second.trace], unit);
}

function figure(place, kind) {
  const [svg, caption] = [node("svg", { class: kind, role: "img" }), el("figcaption")];
  place.append(el("figure", {}, svg, caption));
  return [svg, caption];
}

// Readings over the seconds of the run; each from its own mean, the second dashed.
function unrolled(place, traces, unit) {
  const [svg, caption] = figure(place, "past-trace");
  const [width, height] = fit(svg);
  const rows = traces.map(centred).filter((row) => row.length);
  if (!rows.length || !width) return;
  const end = Math.max(...rows.map((row) => row.at(-1)[0]));
  const [low, high] = rows.flat().reduce(([a, b], [, mm]) => [Math.min(a, mm), Math.max(b, mm)], [Infinity, -Infinity]);
  const y = (mm) => height - EDGE - ((mm - low) / Math.max(high - low, 0.01)) * (height - 2 * EDGE);
  svg.append(node("path", { class: "grid", d: `M0 ${px(y(high))}H${width}M0 ${px(y(low))}H${width}` }),
    node("text", { x: 10, y: px(y(high) - 7) }, word("swing", { length: showFigure(high - low, unit, STEP_NM) })));
  rows.forEach((row, i) => svg.append(node("path", { class: i ? "line second" : "line", d: lineOf(row, (t) => (t / end) * width, y) })));
  svg.setAttribute("aria-label", word("past_label", { seconds: Math.round(end), length: showFigure(high - low, unit, STEP_NM) }));
  caption.textContent = word(traces.length > 1 ? "past_two_caption" : "past_caption", { seconds: Math.round(end) });
}

function centred(row) {
  const mean = row.reduce((sum, [, mm]) => sum + mm, 0) / Math.max(1, row.length);
  return row.map(([t, mm]) => [t - row[0][0], mm - mean]);
}

// At most two points for each column of pixels.
function lineOf(row, x, y) {
  let d = "";
  let column = null;
  let [low, high] = [Infinity, -Infinity];
  const flush = () => {
    d += `${d ? "L" : "M"}${column} ${px(y(low))}${high > low ? `L${column} ${px(y(high))}` : ""}`;
  };
  for (const [t, mm] of row) {
    const at = Math.round(x(t));
    if (column !== null && at !== column) {
      flush();
      [low, high] = [Infinity, -Infinity];
    }
    column = at;
    [low, high] = [Math.min(low, mm), Math.max(high, mm)];
  }
  if (column !== null) flush();
  return d;
}
