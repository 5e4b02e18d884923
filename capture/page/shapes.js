// The picture behind a verdict: the turns of a run-out laid round over one another, or a bar for each stroke.

import { node, px } from "./draw.js";
import { showFigure } from "./lengths.js";
import { word } from "./words.js";

const SIZE = 400;
const MIDDLE = SIZE / 2;
const RING = 128; // radius of the mean
const SWING = 46; // pixels for half of the largest swing
const UM_PER_MM = 1000;
const MOST_STROKES = 4; // the last ones; all of them are in the record
const NAMES = 84; // pixels for the names of the two levels

// 0 degrees is at the top, angles grow clockwise: as the hub is seen from outside the vehicle.
function point(deg, radius) {
  const rad = (deg * Math.PI) / 180;
  return `${px(MIDDLE + radius * Math.sin(rad))} ${px(MIDDLE - radius * Math.cos(rad))}`;
}

export function drawRound(svg, caption, result, laid) {
  const { angle_deg: angles, turns_um: turns, repeatable_um: shared } = laid;
  svg.setAttribute("viewBox", `0 0 ${SIZE} ${SIZE}`);
  if (!angles.length) {
    svg.replaceChildren();
    caption.textContent = word("round_none");
    return;
  }
  const limitUm = (result.limit_mm?.max ?? 0) * UM_PER_MM;
  const middleUm = (Math.max(...shared) + Math.min(...shared)) / 2;
  const reachUm = Math.max(limitUm / 2, ...turns.flat().map((um) => Math.abs(um - middleUm)), 0.1);
  const radius = (um) => RING + ((um - middleUm) / reachUm) * SWING;
  const closed = (row) => `M${row.map((um, i) => point(angles[i], radius(um))).join("L")}Z`;
  const parts = [];
  if (limitUm) {
    const wide = (limitUm / reachUm) * SWING;
    parts.push(node("circle", { class: "limit", cx: MIDDLE, cy: MIDDLE, r: RING, "stroke-width": px(wide) }));
  }
  parts.push(node("circle", { class: "grid", cx: MIDDLE, cy: MIDDLE, r: RING }));
  parts.push(...turns.map((row) => node("path", { class: "turn", d: closed(row) })));
  parts.push(node("path", { class: "shared", d: closed(shared) }));
  parts.push(...angleNames(result));
  svg.replaceChildren(...parts);
  const degrees = Math.round(result.high_spot_deg ?? 0);
  svg.setAttribute("aria-label", word("round_label", { turns: turns.length, degrees }));
  caption.textContent = word("round_caption");
}

function angleNames(result) {
  const marked = ["marks", "angle"].includes(result.turns.found_by);
  const parts = [
    node("path", { class: "edge", d: `M${point(0, RING - SWING - 22)}L${point(0, RING + SWING + 4)}` }),
    node("text", { x: MIDDLE, y: 16, "text-anchor": "middle" }, word(marked ? "round_mark" : "round_start")),
  ];
  if (result.high_spot_deg === null) return parts;
  const at = result.high_spot_deg;
  const [tip, foot] = [RING - SWING - 6, RING - SWING - 30];
  parts.push(node("path", { class: "high", d: `M${point(at, tip)}L${point(at - 9, foot)}L${point(at + 9, foot)}Z` }));
  const named = [word("round_high"), `${Math.round(at)}°`];
  named.forEach((text, i) => {
    parts.push(node("text", { x: MIDDLE, y: MIDDLE - 4 + 20 * i, "text-anchor": "middle" }, text));
  });
  return parts;
}

export function drawStrokes(svg, caption, result, unit, stepNm) {
  const strokes = result.strokes.slice(-MOST_STROKES);
  const [height, foot, top] = [210, 158, 22];
  svg.setAttribute("viewBox", `0 0 ${SIZE} ${height}`);
  const levels = strokes.flatMap((each) => [each.pushed_mm, each.pulled_mm]);
  const [low, high] = [Math.min(...levels), Math.max(...levels)];
  const y = (mm) => foot - ((mm - low) / Math.max(high - low, stepNm / 1e6)) * (foot - top);
  const wide = (SIZE - NAMES) / Math.max(strokes.length, 3);
  const parts = [
    node("text", { x: 0, y: px(y(high) + 5) }, word("pulled")),
    node("text", { x: 0, y: px(y(low) + 5) }, word("pushed")),
  ];
  strokes.forEach((each, i) => {
    const middle = NAMES + (i + 0.5) * wide;
    const [pulled, pushed, half] = [px(y(each.pulled_mm)), px(y(each.pushed_mm)), wide * 0.34];
    const across = (at) => `M${px(middle - half)} ${at}H${px(middle + half)}`;
    const label = showFigure(each.play_mm, unit, stepNm);
    parts.push(
      node("path", { class: "turn", d: `M${px(middle)} ${pulled}V${pushed}` }),
      node("path", { class: "level", d: across(pulled) + across(pushed) }),
      node("text", { x: px(middle), y: foot + 36, "text-anchor": "middle" }, label),
    );
  });
  svg.replaceChildren(...parts);
  const list = strokes.map((each) => showFigure(each.play_mm, unit, stepNm)).join(", ");
  svg.setAttribute("aria-label", word("bars_label", { list }));
  caption.textContent = word("bars_caption");
}
