// The measuring view: what the station says goes into `state`; `draw` shows it, at most once a frame.

import { fit, node, px } from "./draw.js";
import { lengthNumber, showLength } from "./lengths.js";
import { listen } from "./live.js";
import { drawRound, drawStrokes } from "./shapes.js";
import { sound, switchSound } from "./sound.js";
import { markRun, runRecord, runTurns, startRun, stopRun } from "./station.js";
import { Trace, WINDOW_S } from "./trace.js";
import { showVerdict, wordOf } from "./verdict.js";
import { decimal, firstLanguage, language, loadWords, otherLanguage, said, word } from "./words.js";

const by = (id) => document.getElementById(id);
const ENDED = ["done", "interrupted"];
const FEWEST_DIGITS = 6; // room for a sign, so that the figures do not jump as it comes and goes
const COUNTED = { runout: "turns", endplay: "strokes" };
const LINK_SHAPES = {
  live: ["M12 4a8 8 0 1 0 .01 0z", true], // full disc
  connecting: ["M12 4a8 8 0 1 0 .01 0z", false], // ring
  stale: ["M6 5V19M18 5V19", false], // two bars: it stands still
  lost: ["M5 5L19 19M19 5L5 19", false], // cross
  away: ["M3 12H8M16 12H21M12 4V20", false], // a line cut in two
};

const state = {
  live: false, indicators: new Map(), shown: null, unit: localStorage.getItem("unit"), ownUnit: "mm",
  lengthNm: null, low: null, high: null, progress: null, begunHere: null, outcome: null, laid: null,
  last: {}, trouble: "", beats: 0, named: false, toMark: false, sound: false,
};
const trace = new Trace(by("trace"));
let waiting = false;
let drawnOutcome = "";

function changed() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => {
    waiting = false;
    draw();
  });
}

// What the station says ----------------------------------------------------------------------------

const HEARD = {
  beat: () => {
    state.beats += 1;
    if (state.beats === 2) lookAgain(); // what goes on was named before the second beat
  },
  indicator: (message) => {
    const before = state.indicators.get(message.indicator)?.state;
    state.indicators.set(message.indicator, message);
    const shown = state.indicators.get(state.shown);
    if (!shown || (message.state === "live" && shown.state !== "live" && !running())) show(message.indicator);
    if (before === "live" && message.state !== "live" && message.indicator === state.shown) sound("lost");
  },
  readings: (message) => {
    if (message.indicator !== state.shown) return;
    trace.add(message.t_ns, message.length_nm);
    state.ownUnit = message.unit;
    state.lengthNm = message.length_nm[message.length_nm.length - 1];
    if (!running() || message.run !== state.progress.run) return;
    for (const nm of message.length_nm) {
      state.low = state.low === null ? nm : Math.min(state.low, nm);
      state.high = state.high === null ? nm : Math.max(state.high, nm);
    }
  },
  run: (message) => {
    const before = state.progress;
    if (before?.run !== message.run) begun(message);
    else if (Math.floor(message.seen ?? 0) > Math.floor(before.seen ?? 0)) sound("counted");
    state.progress = message;
    if (ENDED.includes(message.state)) ended(message);
  },
  result: (message) => came(message.run, message.result),
  trouble: (message) => {
    state.trouble = `${message.where}: ${message.text}`;
  },
  behind: () => {},
};

function show(name) {
  state.shown = name;
  state.lengthNm = null;
  trace.clear();
}

function running() {
  return state.progress !== null && !ENDED.includes(state.progress.state);
}

function begun(message) {
  if (message.indicator !== state.shown) show(message.indicator);
  trace.clear();
  Object.assign(state, { outcome: null, laid: null, low: null, high: null, trouble: "" });
  state.toMark = message.kind === "runout";
}

function ended(message) {
  if (state.outcome?.run !== message.run) fetchOutcome(message.run);
}

function came(run, result) {
  state.outcome = { run, result };
  state.last[result.kind] = result;
  state.laid = null;
  sound("done");
  if (result.kind === "runout") {
    told(async () => {
      const laid = await runTurns(run);
      if (state.outcome?.run === run) state.laid = laid;
    });
  }
}

// After the station was away: a run that it no longer names has ended meanwhile.
function lookAgain() {
  if (running() && !state.named) fetchOutcome(state.progress.run);
}

function fetchOutcome(run) {
  return told(async () => {
    const record = await runRecord(run);
    if (record.progress) return;
    const result = record.results[record.results.length - 1];
    if (state.progress?.run === run) state.progress = { ...state.progress, state: "done" };
    if (result) came(run, result);
    else if (state.progress?.run === run) state.trouble ||= word("no_result");
  });
}

// What the technician asks -------------------------------------------------------------------------

async function told(work) {
  try {
    await work();
  } catch (error) {
    state.trouble = error.message; // shown; the next attempt clears it
  }
  changed();
}

function start(kind) {
  state.trouble = "";
  return told(() => startRun(kind, state.shown));
}

function mark() {
  if (!running() || state.progress.kind !== "runout") return;
  const button = by("mark");
  button.classList.add("passed");
  setTimeout(() => button.classList.remove("passed"), 250);
  told(() => markRun(state.progress.run));
}

function nextIndicator() {
  const names = [...state.indicators.keys()];
  if (!running() && names.length) show(names[(names.indexOf(state.shown) + 1) % names.length]);
  changed();
}

function changeUnit() {
  state.unit = unit() === "mm" ? "in" : "mm";
  localStorage.setItem("unit", state.unit);
  changed();
}

async function speak(wanted) {
  await loadWords(wanted);
  by("language").textContent = word("other_language");
  by("language").lang = otherLanguage();
  drawnOutcome = "";
  changed();
}

// A foot switch is a keyboard that knows space or enter; held down it counts once.
function onKey(event) {
  if (event.key !== " " && event.key !== "Enter") return;
  const on = event.target.closest("button");
  if (!running() || state.progress.kind !== "runout" || (on && on.id !== "mark")) return;
  event.preventDefault();
  if (!event.repeat) mark();
}

// What is shown ------------------------------------------------------------------------------------

const unit = () => state.unit ?? (state.ownUnit === "in" ? "in" : "mm");
const indicator = () => state.indicators.get(state.shown);
const stepNm = () => indicator()?.resolution_nm ?? 1000;

function set(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function view() {
  if (running()) return "run";
  return state.outcome ? "outcome" : "idle";
}

function draw() {
  document.body.dataset.view = view();
  drawLink();
  drawLength();
  set(by("say"), sentence());
  drawCount();
  drawWarnings();
  trace.draw(unit(), stepNm(), state.progress?.kind === "endplay");
  const holds = running() && state.progress.kind === "endplay";
  set(by("trace-caption"), holds ? word("holds_caption") : word("trace_caption", { seconds: WINDOW_S }));
  drawOutcome();
  drawHands();
}

function linkWord() {
  return state.live ? (indicator()?.state ?? "connecting") : "away";
}

function drawLink() {
  const link = linkWord();
  document.body.dataset.link = link;
  set(by("link-word"), word(link));
  const name = state.shown ?? (state.live ? word("no_indicator") : "");
  set(by("indicator-name"), indicator()?.simulated ? `${name} (${word("simulated")})` : name);
  const [d, full] = LINK_SHAPES[link];
  const shape = by("link-shape");
  if (shape.dataset.link !== link) {
    shape.dataset.link = link;
    shape.replaceChildren(node("path", { d, class: full ? "full" : "" }));
  }
  set(by("sound"), word(state.sound ? "sound_on" : "sound_off"));
  const why = state.live ? (link === "live" ? state.trouble : (indicator()?.why ?? "")) : word("away_why");
  set(by("link-why"), why);
}

function drawLength() {
  const has = state.lengthNm !== null;
  const digits = has ? lengthNumber(state.lengthNm, unit(), stepNm()) : "–";
  set(by("digits"), digits);
  by("length").style.setProperty("--digits", Math.max(FEWEST_DIGITS, digits.length));
  set(by("unit"), unit());
  const moved = running() && state.high !== null;
  set(by("moved"), moved ? word("moved", { length: showLength(state.high - state.low, unit(), stepNm()) }) : "");
}

function sentence() {
  if (running()) return said(state.progress.say);
  if (state.last.rest && !state.last.rest.steady) return word("begin_mend");
  const next = nextKind();
  return word(next ? `begin_${next}` : "begin_again");
}

function nextKind() {
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
  const [width, height] = fit(by("count-bars"));
  const each = width / Math.ceil(run.asked);
  const bars = [];
  for (let i = 0; i < Math.ceil(run.asked); i += 1) {
    const box = { x: px(i * each + 2), y: 2, height: height - 4, rx: 5 };
    bars.push(node("rect", { ...box, width: px(Math.max(0, each - 6)) }));
    const part = Math.min(1, Math.max(0, seen - i));
    if (part > 0) bars.push(node("rect", { ...box, width: px(part * Math.max(0, each - 6)), class: "done" }));
  }
  by("count-bars").replaceChildren(...bars);
}

function drawWarnings() {
  const warnings = running() ? state.progress.warnings : [];
  const list = by("warnings");
  if (list.dataset.told === warnings.join("\n")) return;
  list.dataset.told = warnings.join("\n");
  list.replaceChildren(...warnings.map((text) => {
    const item = document.createElement("li");
    item.textContent = text;
    item.lang = "en";
    return item;
  }));
}

function drawOutcome() {
  const { outcome, laid } = state;
  const root = by("outcome");
  root.hidden = view() !== "outcome";
  const key = root.hidden ? "" : [outcome.run, unit(), language, laid !== null, root.clientWidth].join();
  if (key === drawnOutcome) return;
  drawnOutcome = key;
  if (root.hidden) return;
  const { result } = outcome;
  showVerdict(root, outcome, unit(), stepNm());
  const [svg, caption] = [by("shape"), by("shape-caption")];
  by("drawn").hidden = !((result.kind === "runout" && laid) || (result.kind === "endplay" && result.strokes.length));
  if (result.kind === "runout" && laid) drawRound(svg, caption, result, laid);
  else if (result.kind === "endplay") drawStrokes(svg, caption, result, unit(), stepNm());
}

function drawHands() {
  const going = running();
  by("starts").hidden = going;
  by("during").hidden = !going;
  by("mark").hidden = !going || state.progress.kind !== "runout";
  if (going && state.toMark) {
    state.toMark = false;
    by("mark").focus({ preventScroll: true });
  }
  for (const button of document.querySelectorAll("[data-start]")) {
    const kind = button.dataset.start;
    button.disabled = !state.live || !state.shown;
    button.classList.toggle("next", kind === nextKind() && !button.disabled);
    const last = state.last[kind];
    set(button.querySelector("span"), last ? wordOf(last) : word("last_none"));
  }
}

// Beginning ----------------------------------------------------------------------------------------

for (const button of document.querySelectorAll("[data-start]")) {
  button.addEventListener("click", () => start(button.dataset.start));
}
by("stop").addEventListener("click", () => running() && told(() => stopRun(state.progress.run)));
by("mark").addEventListener("pointerdown", mark); // as the finger comes down: a click would be late
by("mark").addEventListener("click", (event) => event.detail === 0 && mark()); // by an assistive device
by("length").addEventListener("click", changeUnit);
by("indicator").addEventListener("click", nextIndicator);
by("language").addEventListener("click", () => {
  localStorage.setItem("language", otherLanguage());
  speak(otherLanguage());
});
by("sound").addEventListener("click", () => {
  state.sound = !state.sound;
  switchSound(state.sound);
  changed();
});
document.addEventListener("keydown", onKey);
addEventListener("resize", changed);

await speak(firstLanguage());
listen(
  (message) => {
    if (message.type === "run") state.named = true;
    HEARD[message.type]?.(message);
    if (message.type !== "beat") changed();
  },
  (live) => {
    state.live = live;
    if (live) Object.assign(state, { beats: 0, named: false });
    else sound("lost");
    changed();
  },
);
