// What this page knows. The station's messages change it; `changed` shows it, at most once a frame.

export const state = {
  room: "measure", place: [], live: false, paired: true,
  indicators: new Map(), checks: new Map(), shown: null, unit: localStorage.getItem("unit"), ownUnit: "mm",
  lengthNm: null, low: null, high: null, progress: null, soFar: null,
  settings: null, outcome: null, laid: null, last: {}, said: {}, setUp: null,
  trouble: "", carried: "", beats: 0, named: false, toMark: false, toStart: false, sound: false, forStep: null,
};

const ENDED = ["done", "interrupted"];
let drawAll = () => {};
let waiting = false;

export function drawWith(draw) {
  drawAll = draw;
}

export function changed() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => {
    waiting = false;
    drawAll();
  });
}

export const running = () => state.progress !== null && !ENDED.includes(state.progress.state);
export const unit = () => state.unit ?? (state.ownUnit === "in" ? "in" : "mm");
export const indicator = () => state.indicators.get(state.shown);
export const stepNm = () => indicator()?.resolution_nm ?? 1000;

// What a person asked for: an error is shown, and cleared by the next attempt. Whether it was done.
export function told(work) {
  state.trouble = "";
  return quietly(work);
}

// What the page looks up by itself: what is told of a person's own attempt stays.
export async function quietly(work) {
  try {
    await work();
    return true;
  } catch (error) {
    state.trouble = error.message;
    return false;
  } finally {
    changed();
  }
}

// What is measured next: wheel, stage, job, limits. Forgotten with the tab, so that no vehicle inherits it.
const KEPT = "choice";
const EMPTY = { wheel: null, stage: null, job: null, vehicle: "", studs: null, limits: {}, source: "" };
export let choice = { ...EMPTY, ...JSON.parse(sessionStorage.getItem(KEPT) ?? "{}") };

export function choose(changes) {
  choice = { ...choice, ...changes };
  sessionStorage.setItem(KEPT, JSON.stringify(choice));
  changed();
}
