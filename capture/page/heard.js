// What the station says goes into `state`; `changed` shows it.

import { forget, round, trace } from "./measure.js";
import { sound } from "./sound.js";
import { changed, quietly, running, state } from "./state.js";
import { runRecord, runTurns } from "./station.js";
import { word } from "./words.js";

const ENDED = ["done", "interrupted"];

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
    if (state.progress.kind === "runout") round.add(message.t_ns, message.length_nm);
    for (const nm of message.length_nm) {
      state.low = state.low === null ? nm : Math.min(state.low, nm);
      state.high = state.high === null ? nm : Math.max(state.high, nm);
    }
  },
  run: (message) => {
    state.named = true;
    if (message.kind === "trace") return; // a recording, such as the check of an indicator makes: it has a view of its own
    const before = state.progress;
    if (before?.run !== message.run) begun(message);
    else if (Math.floor(message.seen ?? 0) > Math.floor(before.seen ?? 0)) sound("counted");
    state.progress = message;
    if (ENDED.includes(message.state) && state.outcome?.run !== message.run) fetchOutcome(message.run);
  },
  "so far": (message) => {
    if (message.run !== state.progress?.run) return;
    state.soFar = message;
    round.hear(message);
  },
  result: (message) => came(message.run, message.result),
  said: (message) => {
    state.said[message.run] = message;
  },
  check: (message) => {
    state.checks.set(message.indicator, message);
  },
  trouble: (message) => {
    state.trouble = `${message.where}: ${message.text}`;
  },
  behind: () => {},
};

export function hear(message) {
  HEARD[message.type]?.(message);
  if (message.type !== "beat") changed();
}

export function heardLink(live) {
  state.live = live;
  if (live) Object.assign(state, { beats: 0, named: false, paired: true });
  else sound("lost");
  changed();
}

export function show(name) {
  state.shown = name;
  state.lengthNm = null;
  trace.clear();
}

function begun(message) {
  if (message.indicator !== state.shown) show(message.indicator);
  trace.clear();
  round.clear();
  forget();
  Object.assign(state, {
    outcome: null, laid: null, low: null, high: null, soFar: null, settings: null, trouble: "",
  });
  state.toMark = message.kind === "runout";
  if (ENDED.includes(message.state)) return;
  quietly(async () => {
    const record = await runRecord(message.run);
    if (state.progress?.run === message.run) state.settings = record.settings;
  });
}

function came(run, result) {
  state.outcome = { run, result };
  state.last[result.kind] = result;
  state.laid = null;
  sound("done");
  if (result.kind === "runout") {
    quietly(async () => {
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
  return quietly(async () => {
    const record = await runRecord(run);
    if (record.progress) return;
    const result = record.results[record.results.length - 1];
    const about = record.said[record.said.length - 1];
    if (about) state.said[run] = about;
    if (state.progress?.run === run) state.progress = { ...state.progress, state: "done" };
    if (result) came(run, result);
    else if (state.progress?.run === run) state.trouble ||= word("no_result");
  });
}
