// The measuring view: the length, what to do next, the pictures, the verdict, the keys.

import { by, el, fit, node, px, renew, set, told } from "./dom.js";
import { showChoice } from "./choice.js";
import { lengthNumber, showFigure, showLength } from "./lengths.js";
import { checked } from "./marks.js";
import { LiveRound, drawRound } from "./round.js";
import { sound } from "./sound.js";
import { changed, choice, indicator, running, state, stepNm, unit } from "./state.js";
import { drawStrokes } from "./strokes.js";
import { Trace, WINDOW_S } from "./trace.js";
import { showVerdict, wordOf } from "./verdict.js";
import { decimal, language, said, sentence as inTongue, word } from "./words.js";

const FEWEST_DIGITS = 6; // room for a sign, so that the figures do not jump as it comes and goes
const COUNTED = { runout: "turns", endplay: "strokes", bore: "places" };

export const trace = new Trace(by("trace"));
export const round = new LiveRound(by("live-shape"));
let drawnOutcome = "";
let drawnStrokes = null;
let settled = 0;

export function view() {
  if (running()) return "run";
  return state.outcome ? "outcome" : "idle";
}

export function forget() {
  drawnOutcome = "";
  drawnStrokes = null;
}

export function drawMeasure() {
  document.body.dataset.view = view();
  drawLength();
  set(by("say"), sentence());
  drawCount();
  drawWarnings();
  drawLive();
  drawTrace();
  drawOutcome();
  drawBefore();
  drawKeys();
}

// The length and the sentence ----

function drawLength() {
  const has = state.lengthNm !== null;
  const digits = has ? lengthNumber(state.lengthNm, unit(), stepNm()) : "–";
  set(by("digits"), digits);
  const room = String(Math.max(FEWEST_DIGITS, digits.length));
  if (by("length").dataset.digits !== room) {
    by("length").dataset.digits = room;
    by("length").style.setProperty("--digits", room);
  }
  set(by("unit"), unit());
  set(by("moved"), moved());
}

function moved() {
  if (!running() || state.high === null) return "";
  const play = state.soFar?.play_mm;
  if (state.progress.kind === "endplay" && play !== undefined && play !== null) {
    return word("play_so_far", { length: showFigure(play, unit(), stepNm()) });
  }
  return word("moved", { length: showLength(state.high - state.low, unit(), stepNm()) });
}

function sentence() {
  if (running()) return said(state.progress.say);
  if (state.outcome) return afterwards();
  if (state.forStep) return word(`begin_${state.forStep.kind}`);
  if (state.last.rest && !state.last.rest.steady) return word("begin_mend");
  const next = nextKind();
  return word(next ? `begin_${next}` : "begin_again");
}

function afterwards() {
  const { result, run } = state.outcome;
  if (result.kind === "rest") return word(result.steady ? "rest_good" : "begin_mend");
  const about = state.said[run];
  if (!about) return word("keep_or_throw");
  const next = nextKind();
  const then = word(next ? `begin_${next}` : "begin_again");
  return about.word === "kept" ? word("was_kept", { then }) : word("was_thrown", { reason: about.reason });
}

// The kind of which the limit is shown before a run.
export function judgedKind() {
  if (state.forStep) return state.forStep.kind;
  return nextKind() === "endplay" ? "endplay" : "runout";
}

export function nextKind() {
  if (!state.last.rest?.steady) return "rest";
  return ["endplay", "runout"].find((kind) => !state.last[kind]);
}

function drawCount() {
  const run = state.progress;
  const counted = running() && run.asked !== null;
  by("count").hidden = !counted;
  if (!counted) return;
  const seen = run.seen ?? 0;
  const shown = run.seen === null ? "–" : decimal(seen, run.kind === "runout" ? 1 : 0);
  const marks = run.marks ? `, ${word("marks", { count: run.marks })}` : "";
  set(by("count-text"), word(COUNTED[run.kind], { seen: shown, asked: run.asked }) + marks);
  const svg = by("count-bars");
  const [width, height] = fit(svg);
  renew(svg, [width, height, seen, run.asked].join(), () => bars(width, height, seen, Math.ceil(run.asked)));
}

function bars(width, height, seen, asked) {
  const each = width / asked;
  const made = [];
  for (let i = 0; i < asked; i += 1) {
    const box = { x: px(i * each + 2), y: 2, height: height - 4, rx: 5 };
    const wide = Math.max(0, each - 6);
    made.push(node("rect", { ...box, width: px(wide) }));
    const part = Math.min(1, Math.max(0, seen - i));
    if (part > 0) made.push(node("rect", { ...box, width: px(part * wide), class: "done" }));
  }
  return made;
}

function drawWarnings() {
  const warnings = running() ? state.progress.warnings : [];
  by("warnings").hidden = !warnings.length;
  renew(by("warnings"), `${language}${warnings.join("\n")}`, () => warnings.map((text) => told("li", inTongue(text))));
}

// The pictures ----

function limitMm() {
  const limit = state.settings?.applied_limit;
  return limit ? (limit.max_nm ?? limit.good_up_to_nm) / 1e6 : null;
}

function drawLive() {
  const kind = running() ? state.progress.kind : null;
  const strokes = kind === "endplay" ? (state.soFar?.strokes ?? []) : [];
  const turning = kind === "runout" && round.ready;
  by("live").hidden = !turning && !strokes.length;
  document.body.dataset.picture = turning ? "round" : strokes.length ? "strokes" : "none";
  if (turning) {
    round.draw(limitMm(), state.settings?.studs);
    set(by("live-caption"), word(limitMm() ? "round_live_caption" : "round_live_no_limit"));
  } else if (strokes.length && drawnStrokes !== strokes) {
    drawnStrokes = strokes;
    drawStrokes(by("live-shape"), by("live-caption"), strokes, unit(), stepNm());
  }
}

function drawTrace() {
  if (view() === "outcome" && state.outcome.result.kind !== "rest") return; // the picture of the run stands there
  const holds = running() && state.progress.kind === "endplay";
  const newest = trace.draw(unit(), stepNm(), holds);
  if (holds && newest > settled + 0.3) sound("settled");
  settled = Math.max(newest, running() ? settled : 0);
  set(by("trace-caption"), holds ? word("holds_caption") : word("trace_caption", { seconds: WINDOW_S }));
}

function drawOutcome() {
  const { outcome, laid } = state;
  const root = by("outcome");
  root.hidden = view() !== "outcome";
  if (root.hidden) by("drawn").hidden = true;
  const key = root.hidden ? "" : [outcome.run, unit(), language, laid !== null, root.clientWidth].join();
  if (key === drawnOutcome) return;
  drawnOutcome = key;
  by("drawn").hidden = true;
  if (root.hidden) return;
  const { result } = outcome;
  showVerdict(root, outcome, unit(), stepNm());
  const [svg, caption] = [by("shape"), by("shape-caption")];
  by("drawn").hidden = !((result.kind === "runout" && laid) || (result.kind === "endplay" && result.strokes.length));
  if (result.kind === "runout" && laid) drawRound(svg, caption, result, laid, state.settings?.studs);
  else if (result.kind === "endplay" && result.strokes.length) drawStrokes(svg, caption, result.strokes, unit(), stepNm());
}

// Before a run ----

function drawBefore() {
  by("before").hidden = view() !== "idle";
  if (by("before").hidden) return;
  renew(by("choice"), JSON.stringify([choice, state.setUp?.limit_mm, unit(), language]), chosen);
  const checks = state.setUp?.checks ?? [];
  renew(by("checks"), JSON.stringify([checks, language]), () => checks.map(check));
}

function chosen() {
  const place = [choice.wheel && word(`wheel_${choice.wheel}`), choice.stage && word(`stage_${choice.stage}`)];
  const named = [choice.vehicle, ...place].filter(Boolean).join(", ");
  const limit = state.setUp?.limit_mm;
  const kind = judgedKind();
  const judged = limit ? word("judged_by", { kind: word(`kind_${kind}`), limit: showFigure(limit, unit(), stepNm()) }) : "";
  return [el("b", {}, named || word("choice_none")), el("span", {}, judged || word("choice_hint"))];
}

function check({ point, good, text }) {
  const how = good === null ? "unknown" : good ? "good" : "bad";
  return checked(how, word(`check_${point}_${how}`), how === "bad" ? told("span", inTongue(text), { class: "why" }) : null);
}

// The keys ----

function drawKeys() {
  const now = view();
  const judged = now === "outcome" && state.outcome.result.kind !== "rest" && !state.said[state.outcome.run];
  by("starts").hidden = now === "run" || judged;
  by("during").hidden = now !== "run";
  by("after").hidden = !judged;
  by("mark").hidden = now !== "run" || state.progress.kind !== "runout";
  if (now === "run" && state.toMark && !by("mark").hidden) {
    state.toMark = false;
    by("mark").focus({ preventScroll: true });
  }
  for (const button of document.querySelectorAll("[data-start]")) {
    const kind = button.dataset.start;
    button.disabled = !state.live || !state.shown;
    button.hidden = (kind === "bore") !== (state.forStep?.kind === "bore"); // another gauge: nothing else is measured with it
    const next = state.forStep ? kind === state.forStep.kind : kind === nextKind();
    button.classList.toggle("next", next && !button.disabled);
    const last = state.last[kind];
    set(button.querySelector("span"), last ? wordOf(last) : word("last_none"));
  }
  if (state.toStart && !by("starts").hidden) {
    state.toStart = false;
    document.querySelector("#starts .next")?.focus({ preventScroll: true });
  }
  for (const id of ["keep", "again", "throw"]) by(id).disabled = !state.live;
  set(by("keep-hint"), state.forStep ? word("keep_for_job") : "");
}

by("choice").addEventListener("click", () => showChoice(changed));
