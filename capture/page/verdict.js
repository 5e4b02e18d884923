// What came out: a word whose place is its meaning (left of the limit, across it, right of it), the same to
// scale, how sure, which part, and why.

import { el, fit, node, px, set, told as inTongue } from "./dom.js";
import { showFigure } from "./lengths.js";
import { decimal, sentence, told, word } from "./words.js";

const BASE = 50;
const LETTER = 9.4; // about how wide one is, to keep names inside the picture
const NO_DOUBT = 0.001;

// The emblem: the limit is a wall; the bar is what was found with its uncertainty.
const EMBLEMS = {
  within: ["M14 24H38", "M66 6V42"],
  over: ["M58 24H82", "M30 6V42"],
  undecided: ["M26 24H70", "M48 6V42"],
  "not measurable": ["M22 24H30M48 24H48.1M66 24H74", ""],
};

export function wordOf(result) {
  if (result.kind !== "rest") return result.verdict === null ? word("no_limit") : word(result.verdict);
  if (result.steady === null) return word("not measurable");
  return word(result.steady ? "steady" : "not_steady");
}

// A rest check has no limit of the vehicle maker; its emblem says the same in the same places.
function toneOf(result) {
  if (result.kind !== "rest") return result.verdict ?? "not measurable";
  if (result.steady === null) return "not measurable";
  return result.steady ? "within" : "over";
}

export function valueMm(result) {
  if (result.kind === "endplay") return result.play_mm;
  if (result.kind === "bore") return result.value_mm;
  if (result.kind !== "runout" || !result.fim_mm.per_turn.length) return null;
  return Math.max(...result.fim_mm.per_turn);
}

// The elements that a verdict is shown in.
function parts() {
  return [
    el("div", { class: "verdict", "aria-live": "polite" },
      node("svg", { class: "verdict-shape", viewBox: "0 0 96 48", "aria-hidden": "true" }),
      el("div", {}, el("p", { class: "verdict-kind" }), el("h1", { class: "verdict-word" }))),
    node("svg", { class: "scale", role: "img" }),
    el("p", { class: "figure" }), el("p", { class: "sure" }),
    el("ul", { class: "parts" }), el("ul", { class: "reasons" }), el("p", { class: "kept" }),
  ];
}

export function showVerdict(root, outcome, unit, stepNm) {
  const { result, run } = outcome;
  if (!root.querySelector(".verdict")) root.replaceChildren(...parts());
  const by = (name) => root.querySelector(`.${name}`);
  root.dataset.verdict = toneOf(result);
  drawEmblem(by("verdict-shape"), toneOf(result));
  set(by("verdict-kind"), word(`kind_${result.kind}`));
  set(by("verdict-word"), wordOf(result));
  // a verdict is never cut: its longest word decides how large it is written
  const letters = Math.max(...wordOf(result).split(" ").map((each) => each.length));
  by("verdict-word").style.setProperty("--letters", letters);
  set(by("figure"), figure(result, unit, stepNm));
  set(by("sure"), sure(result));
  drawScale(by("scale"), result, unit, stepNm);
  by("parts").replaceChildren(...(result.points_to ?? []).map(part));
  by("parts").hidden = !result.points_to?.length; // an empty list is announced all the same
  by("reasons").replaceChildren(...result.reasons.map((each) => item(each.text)));
  by("reasons").hidden = !result.reasons.length;
  const note = result.uncertainty_mm ? word("uncertainty_note") : "";
  set(by("kept"), [note, source(result), word("kept", { run: run.slice(-6) })].filter(Boolean).join(" "));
}

const item = (text) => inTongue("li", sentence(text));

function part(each) {
  const made = item(each.why);
  const name = document.createElement("b");
  name.textContent = word("points_to", { part: word(`part_${each.part}`) });
  name.lang = document.documentElement.lang;
  made.prepend(name);
  return made;
}

function figure(result, unit, stepNm) {
  if (result.kind === "rest") {
    const noise = showFigure(result.noise_mm, unit, stepNm);
    return word("rest_figure", { noise, slip: showFigure(result.slip_mm, unit, stepNm) });
  }
  const value = showFigure(valueMm(result), unit, stepNm);
  if (!result.uncertainty_mm) return value;
  return word("figure", { value, reach: showFigure(result.uncertainty_mm.expanded, unit, stepNm) });
}

function sure(result) {
  const p = result.conformity_probability;
  if (p === undefined || p === null || result.verdict === "not measurable") return "";
  const certain = p < NO_DOUBT || p > 1 - NO_DOUBT;
  if (result.verdict === "undecided" && certain) return ""; // the doubt is elsewhere; the reasons say where
  const most = Math.min(Math.max(p, 1 - p), 1 - NO_DOUBT);
  const percent = `${certain ? "> " : ""}${decimal(100 * most, most > 0.99 ? 1 : 0)}`;
  return word(p >= 0.5 ? "sure_within" : "sure_over", { percent });
}

function source(result) {
  return result.limit_mm ? word("limit_source", { source: told(result.limit_mm.source) }) : "";
}

function drawEmblem(svg, tone) {
  const [bar, wall] = EMBLEMS[tone];
  svg.replaceChildren(node("path", { class: "bar", d: bar }), node("path", { class: "wall", d: wall }));
}

function drawScale(svg, result, unit, stepNm) {
  const value = valueMm(result);
  const limit = result.limit_mm;
  svg.toggleAttribute("hidden", value === null || !limit);
  if (value === null || !limit) return;
  const [width] = fit(svg);
  const reach = result.uncertainty_mm?.expanded ?? 0;
  const [good, bad] = [limit.good_up_to ?? limit.max, limit.bad_above ?? limit.max];
  const most = Math.max(value + reach, 1.9 * bad) * 1.06;
  const x = (mm) => 8 + (Math.max(0, mm) / most) * (width - 16);
  const show = (mm) => showFigure(mm, unit, stepNm);
  const parts = [node("path", { class: "axis", d: `M${px(x(0))} ${BASE}H${px(x(most))}` })];
  if (good !== bad) {
    parts.push(node("rect", { class: "maker", x: px(x(good)), y: 26, width: px(x(bad) - x(good)), height: 48 }));
  }
  for (const each of new Set([good, bad])) {
    parts.push(node("path", { class: "limit", d: `M${px(x(each))} 26V74` }));
  }
  parts.push(...limitNames(good, bad, x, show, width));
  parts.push(node("path", { class: "reach", d: `M${px(x(value - reach))} ${BASE}H${px(x(value + reach))}` }));
  const at = x(value);
  parts.push(node("path", { class: "found-at", d: `M${px(at)} ${BASE - 14}l11 14-11 14-11-14z` }));
  svg.replaceChildren(...parts);
  svg.setAttribute("aria-label", word("scale_label", { value: show(value), reach: show(reach), limit: show(bad) }));
}

function limitNames(good, bad, x, show, width) {
  if (good === bad) return [node("text", { x: px(x(bad)), y: 17, "text-anchor": "middle" }, word("limit", { limit: show(bad) }))];
  const [left, right] = [word("good_up_to", { limit: show(good) }), word("bad_above", { limit: show(bad) })];
  const [end, start] = [Math.max(x(good), LETTER * left.length), Math.min(x(bad), width - LETTER * right.length)];
  const below = end + LETTER > start; // no room side by side
  return [
    node("text", { x: px(end), y: 17, "text-anchor": "end" }, left),
    node("text", { x: px(start), y: below ? 90 : 17 }, right),
  ];
}
