// A bar for each stroke of end play, from its pushed level to its pulled level.

import { node, px } from "./dom.js";
import { showFigure } from "./lengths.js";
import { word } from "./words.js";

const WIDTH = 400;
const [HEIGHT, FOOT, TOP] = [210, 158, 22];
const MOST_STROKES = 4; // the last ones; all of them are in the record
const NAMES = 84; // pixels for the names of the two levels

export function drawStrokes(svg, caption, all, unit, stepNm) {
  const strokes = all.slice(-MOST_STROKES);
  svg.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  const levels = strokes.flatMap((each) => [each.pushed_mm, each.pulled_mm]);
  const [low, high] = [Math.min(...levels), Math.max(...levels)];
  const y = (mm) => FOOT - ((mm - low) / Math.max(high - low, stepNm / 1e6)) * (FOOT - TOP);
  const wide = (WIDTH - NAMES) / Math.max(strokes.length, 3);
  const parts = [
    node("text", { x: 0, y: px(y(high) + 5) }, word("pulled")),
    node("text", { x: 0, y: px(y(low) + 5) }, word("pushed")),
  ];
  strokes.forEach((each, i) => {
    const middle = NAMES + (i + 0.5) * wide;
    const [pulled, pushed, half] = [px(y(each.pulled_mm)), px(y(each.pushed_mm)), wide * 0.34];
    const across = (at) => `M${px(middle - half)} ${at}H${px(middle + half)}`;
    parts.push(
      node("path", { class: "turn", d: `M${px(middle)} ${pulled}V${pushed}` }),
      node("path", { class: "level", d: across(pulled) + across(pushed) }),
      node("text", { x: px(middle), y: FOOT + 36, "text-anchor": "middle" }, showFigure(each.play_mm, unit, stepNm)),
    );
  });
  svg.replaceChildren(...parts);
  const list = strokes.map((each) => showFigure(each.play_mm, unit, stepNm)).join(", ");
  svg.setAttribute("aria-label", word("bars_label", { list }));
  if (caption) caption.textContent = word("bars_caption");
}
