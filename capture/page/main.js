// Where the page begins: the header, the ways between the views, the keys, and the station's voice.

import { requestFor } from "./choice.js";
import { by, renew, set, setIn } from "./dom.js";
import { hear, heardLink, show } from "./heard.js";
import { drawHistory, enterHistory } from "./history.js";
import { drawIndicators, enterIndicators } from "./indicators.js";
import { drawJob, enterJob, stepMeasured } from "./job.js";
import { listen } from "./live.js";
import { linkPath } from "./marks.js";
import { drawMeasure, judgedKind, view } from "./measure.js";
import { drawPair } from "./pair.js";
import { answers, closeSheet, openSheet } from "./sheet.js";
import { switchSound } from "./sound.js";
import { changed, drawWith, indicator, quietly, running, state, told, unit } from "./state.js";
import { health, keepRun, markRun, measureStep, setUp, startRun, stopRun } from "./station.js";
import { firstLanguage, loadWords, otherLanguage, trouble, word } from "./words.js";

const ROOMS = {
  measure: [drawMeasure, () => {}],
  job: [drawJob, enterJob],
  history: [drawHistory, enterHistory],
  indicators: [drawIndicators, enterIndicators],
  pair: [drawPair, () => {}],
};
const REASONS = ["holder", "knocked", "uneven", "place", "trial"];
let askedSetUp = "";

// Rooms ----

function go() {
  const [room, ...place] = location.hash.slice(1).split("/").map(decodeURIComponent);
  state.room = room in ROOMS && room !== "pair" ? room : "measure";
  Object.assign(state, { place, trouble: state.carried, carried: "" });
  ROOMS[state.room][1](place);
  scrollTo(0, 0);
  by(`room-${state.room}`).scrollTop = 0;
  changed();
}

function draw() {
  if (running() && state.room !== "measure") location.hash = "#measure"; // a hub that is turned comes first
  const room = state.paired ? state.room : "pair";
  document.body.dataset.room = room;
  for (const name of Object.keys(ROOMS)) by(`room-${name}`).hidden = name !== room;
  document.querySelector("footer").hidden = room !== "measure";
  by("rooms").hidden = view() === "run" || !state.paired;
  for (const link of by("rooms").children) {
    if (link.hash === `#${room}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  drawLink();
  ROOMS[room][0]();
  lookAtSetUp();
}

function drawLink() {
  const link = state.live ? (indicator()?.state ?? "connecting") : "away";
  document.body.dataset.link = link;
  set(by("link-word"), word(link));
  const name = state.shown ?? (state.live ? word("no_indicator") : "");
  set(by("indicator-name"), indicator()?.simulated ? `${name} (${word("simulated")})` : name);
  renew(by("link-shape"), link, () => [linkPath(link)]);
  set(by("sound"), word(state.sound ? "sound_on" : "sound_off"));
  by("sound").setAttribute("aria-pressed", String(state.sound));
  const away = state.paired ? word("away_why") : "";
  setIn(by("link-why"), trouble(state.live ? state.trouble || (indicator()?.why ?? "") : away));
  if (by("sheet").open) setIn(by("sheet-trouble"), trouble(state.trouble)); // what is behind it cannot be read
}

// The points of the set-up are asked for again when something that they rest on has changed.
function lookAtSetUp() {
  if (!state.live || running() || state.room !== "measure") return;
  const kind = judgedKind();
  const { limit } = requestFor(kind, state.shown);
  const asked = { kind, indicator: state.shown, limit };
  const key = JSON.stringify([asked, indicator()?.state, state.outcome?.run]);
  if (key === askedSetUp || !state.shown) return;
  askedSetUp = key;
  quietly(async () => {
    state.setUp = await setUp(asked);
  });
}

// What the technician asks ----

function start(kind) {
  const { job, step, wheel, kind: wanted } = state.forStep ?? {};
  if (kind !== wanted) return told(() => startRun(requestFor(kind, state.shown)));
  return told(() => measureStep(job, step, { wheel, indicator: state.shown })); // limits are those of its sheet
}

function mark() {
  if (!running() || state.progress.kind !== "runout") return;
  by("mark").classList.add("passed");
  setTimeout(() => by("mark").classList.remove("passed"), 250);
  told(() => markRun(state.progress.run));
}

// `outcome` is the one that stood there when the key was pressed: another tablet may have begun a run since.
function sayOfRun({ run, result }, how, reason = "") {
  return told(async () => {
    await keepRun(run, how, reason);
    state.said[run] = { run, word: how, reason };
    if (how === "kept") await stepMeasured(run, result.kind);
    else delete state.last[result.kind];
    state.toStart = true;
  });
}

// Measured again: the run before is thrown away for that reason.
async function again() {
  const { outcome } = state;
  if (await sayOfRun(outcome, "thrown away", word("reason_again"))) await start(outcome.result.kind);
}

function throwAway() {
  const { outcome } = state;
  const taken = async (reason) => {
    if (await sayOfRun(outcome, "thrown away", reason)) closeSheet();
  };
  const options = REASONS.map((each) => [word(`reason_${each}`), word(`reason_${each}`)]);
  const other = document.createElement("input");
  other.maxLength = 300;
  other.placeholder = word("reason_other");
  other.setAttribute("aria-label", word("reason_other"));
  other.addEventListener("keydown", (event) => {
    if (event.key !== "Enter") return;
    event.preventDefault();
    if (other.value.trim()) taken(other.value.trim());
  });
  openSheet(word("throw_title"), answers(word("throw_title"), options, null, taken), other);
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
  set(by("language"), word("other_language"));
  by("language").lang = otherLanguage();
  changed();
}

// A foot switch is a keyboard that knows space or enter; held down it counts once.
function onKey(event) {
  if (event.key !== " " && event.key !== "Enter") return;
  const on = event.target.closest("button, a, input");
  if (!running() || state.progress.kind !== "runout" || (on && on.id !== "mark")) return;
  event.preventDefault();
  if (!event.repeat) mark();
}

// Whether the station does not answer at all, or does not know this device.
async function whyAway() {
  if (state.live) return;
  try {
    await health();
  } catch {
    changed(); // either it is shown that the station is away, or this device is asked for its code
  }
}

// Beginning ----

for (const button of document.querySelectorAll("[data-start]")) {
  button.addEventListener("click", () => start(button.dataset.start));
}
by("stop").addEventListener("click", () => running() && told(() => stopRun(state.progress.run)));
by("mark").addEventListener("pointerdown", mark); // as the finger comes down: a click would be late
by("mark").addEventListener("click", (event) => event.detail === 0 && mark()); // by an assistive device
by("keep").addEventListener("click", () => sayOfRun(state.outcome, "kept"));
by("throw").addEventListener("click", throwAway);
by("again").addEventListener("click", again);
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
addEventListener("hashchange", go);
setInterval(whyAway, 2000);

drawWith(draw);
await speak(firstLanguage());
go();
whyAway();
listen(hear, heardLink);
