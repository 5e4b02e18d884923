// The history view: every run by search, the pictures of any of them, and two laid one over the other.

import { by, el, node, renew } from "./dom.js";
import { showFigure } from "./lengths.js";
import { drawPast, drawTwo } from "./past.js";
import { changed, quietly, state, told, unit } from "./state.js";
import { history, jobs, keepRun, runRecord, runTrace, runTurns, runs } from "./station.js";
import { showVerdict } from "./verdict.js";
import { language, when, word } from "./words.js";

const STEP_NM = 1000;
const MOST = 1000;
let list = null;
let came = 0; // how often the list came, so that it is drawn anew
let together = null;
let sought = "";
const vehicles = new Map(); // by job
let beside = null; // the run that another one is laid over
const known = new Map(); // a run's record with its turns and readings

export function enterHistory([first, second]) {
  quietly(async () => {
    if (list === null || !first) {
      let all;
      [list, together, all] = await Promise.all([runs({ last: MOST }), history(), jobs({ last: MOST })]);
      came += 1;
      for (const each of all) vehicles.set(each.id, [each.vehicle, each.vin].filter(Boolean).join(", "));
    }
    for (const id of [first, second]) if (id && !known.has(id)) known.set(id, await fetched(id));
  });
}

async function fetched(id) {
  const record = await runRecord(id);
  const [laid, csv] = await Promise.all([
    record.summary.kind === "runout" && record.results.length ? runTurns(id) : null,
    runTrace(id),
  ]);
  return { record, result: record.results.at(-1) ?? null, laid, trace: readTrace(csv) };
}

// time_s and the reading in mm of a trace file; comments and rows without a reading are left out.
function readTrace(csv) {
  const rows = csv.split(/\r?\n/).filter((line) => line && !line.startsWith("#"));
  const names = rows[0].split(",");
  const [time, reading] = [names.indexOf("time_s"), names.findIndex((name) => name.startsWith("reading_"))];
  const perMm = { reading_mm: 1, reading_um: 1000, reading_in: 1 / 25.4 }[names[reading]];
  return rows.slice(1).map((row) => row.split(",")).filter((row) => row[reading] !== "")
    .map((row) => [Number(row[time]), Number(row[reading]) / perMm]);
}

export function drawHistory() {
  const [first, second] = state.place;
  const key = [first, second, came, beside, known.has(first), known.has(second), language, unit(),
    known.get(first)?.record.said.length, by("room-history").clientWidth].join("|");
  renew(by("room-history"), key, () => {
    if (second && known.has(first) && known.has(second)) return twoRuns(known.get(first), known.get(second));
    if (first && known.has(first)) return oneRun(known.get(first));
    if (first) return [el("p", { class: "wait" }, word("wait"))];
    return runList();
  });
  for (const draw of drawLater.splice(0)) draw(); // what needs the size of its place is drawn once it stands there
}

const drawLater = [];

// The list ----

function runList() {
  const rows = el("ul", { class: "rows", id: "run-rows" });
  const refill = () => rows.replaceChildren(...found().slice(0, 200).map(runRow));
  const field = el("input", { type: "search", name: "sought", class: "wide", value: sought, placeholder: word("search_hint"), "aria-label": word("search"),
    oninput: (event) => { sought = event.target.value; refill(); } });
  refill();
  return [
    el("div", { class: "head" }, el("h1", {}, word(beside ? "beside_title" : "room_history")),
      beside ? el("button", { type: "button", class: "quiet", onclick: () => { beside = null; changed(); } }, word("cancel")) : null),
    field,
    list === null ? el("p", { class: "wait" }, word("wait")) : list.length ? rows : el("p", { class: "empty" }, word("runs_none")),
    together && !beside ? el("section", { class: "together" }, lines(together)) : null,
  ].filter(Boolean);
}

function found() {
  const words = sought.toLowerCase().split(/\s+/).filter(Boolean);
  const kind = beside && known.get(beside).record.summary.kind;
  return (list ?? []).filter((each) => (!kind || (each.kind === kind && each.id !== beside)) && words.every((one) => textOf(each).includes(one)));
}

function textOf(each) {
  const inWords = [word(`kind_${each.kind}`), each.verdict && word(each.verdict), each.wheel && word(`wheel_${each.wheel}`),
    each.stage && word(`stage_${each.stage}`), each.kept && word(`said_${each.kept}`), when(each.started_utc)];
  return [...inWords, vehicles.get(each.job), ...Object.values(each)].filter(Boolean).join(" ").toLowerCase();
}

function runRow(each) {
  const where = [each.wheel && word(`wheel_${each.wheel}`), each.stage && word(`stage_${each.stage}`)].filter(Boolean).join(", ");
  const value = each.value_mm === null ? "" : `${showFigure(each.value_mm, unit(), STEP_NM)} ± ${showFigure(each.expanded_mm, unit(), STEP_NM)}`;
  const about = each.kept === "thrown away" ? word("said_thrown away") : each.verdict ? word(each.verdict) : word(`state_${each.state}`);
  return el("li", {}, el("a", { class: `row ${each.kept === "thrown away" ? "thrown" : ""}`, href: beside ? `#history/${beside}/${each.id}` : `#history/${each.id}` },
    el("span", { class: `mark ${each.kept === "thrown away" ? "" : (each.verdict ?? "").replace(" ", "-")}` }, about),
    el("span", {}, el("b", {}, `${word(`kind_${each.kind}`)} `, el("span", { class: "value" }, value)), el("span", { class: "soft" }, [vehicles.get(each.job), where].filter(Boolean).join(", ") || word("choice_none"))),
    el("span", { class: "soft aside" }, when(each.started_utc))));
}

function lines(all) {
  const made = [];
  for (const each of all.parts) made.push(word("part_line", { part: each.part, lot: each.lot || "–", ends: each.wheel_ends, share: Math.round(100 * each.share_over) }));
  for (const each of all.comebacks) made.push(word("comeback_line", { vin: each.vin, wheel: word(`wheel_${each.wheel}`), km: Math.round(each.distance_km) }));
  for (const each of all.calibrations_due) made.push(word("due_line", { indicator: each.indicator, due: each.due }));
  if (!made.length) return [];
  return [el("h2", {}, word("together_title")), el("ul", {}, made.map((text) => el("li", {}, text)))];
}

// One run, and two ----

function oneRun(run) {
  const { summary, said } = run.record;
  const verdict = el("section", { class: "outcome" });
  const pictures = el("section", { class: "pictures" });
  drawLater.push(() => drawPast(pictures, run, unit()));
  if (run.result) drawLater.push(() => showVerdict(verdict, { run: summary.id, result: run.result }, unit(), run.record.indicator.resolution_nm ?? STEP_NM));
  const about = said.at(-1);
  return [
    el("div", { class: "head" }, el("h1", {}, `${word(`kind_${summary.kind}`)}, ${when(summary.started_utc)}`),
      el("a", { class: "quiet", href: "#history" }, word("back"))),
    el("div", { class: "two" }, pictures, el("section", { class: "told" },
      verdict,
      el("p", { class: "held" }, about ? word(about.word === "kept" ? "run_kept" : "run_thrown", { reason: about.reason }) : word("run_unsaid")),
      el("div", { class: "keys" },
        el("button", { type: "button", class: "deed", onclick: () => { beside = summary.id; location.hash = "#history"; } }, word("lay_over")),
        summary.kind !== "rest" && about?.word !== "kept" ? el("button", { type: "button", class: "quiet", onclick: () => keep(summary.id) }, word("keep")) : null,
        el("a", { class: "quiet", href: `/runs/${summary.id}/trace.csv`, download: `${summary.kind}-${summary.id.slice(-6)}.csv` }, word("trace_file"))),
      facts(run.record))),
  ];
}

function keep(id) {
  return told(async () => {
    await keepRun(id, "kept", "");
    known.set(id, await fetched(id));
  });
}

function facts(record) {
  const { summary } = record;
  const all = [
    ["sheet_vehicle", vehicles.get(summary.job) || null], ["fact_indicator", summary.indicator], ["fact_wheel", summary.wheel && word(`wheel_${summary.wheel}`)],
    ["fact_stage", summary.stage && word(`stage_${summary.stage}`)], ["fact_readings", word("readings_of", { all: summary.readings, rejected: summary.rejected })],
    ["fact_marks", record.marks_s.length], ["fact_run", summary.id],
  ];
  return el("dl", {}, all.filter(([, value]) => value !== null && value !== undefined)
    .map(([name, value]) => el("div", {}, el("dt", {}, word(name)), el("dd", {}, String(value)))));
}

function twoRuns(first, second) {
  beside = null;
  const pictures = el("section", { class: "pictures" });
  drawLater.push(() => drawTwo(pictures, first, second, unit()));
  const line = (run, name, dash) => {
    const { summary } = run.record;
    const key = node("svg", { viewBox: "0 0 48 12", class: "key", "aria-hidden": "true" });
    key.append(node("path", { class: dash ? "shared second" : "shared", d: "M2 6H46" }));
    const value = summary.value_mm === null ? word("not_measured") : `${showFigure(summary.value_mm, unit(), STEP_NM)} ± ${showFigure(summary.expanded_mm, unit(), STEP_NM)}`;
    return el("li", {}, key, el("span", {}, el("b", {}, `${name}: ${value}${summary.verdict ? `, ${word(summary.verdict)}` : ""}`),
      el("a", { class: "soft", href: `#history/${summary.id}` }, `${when(summary.started_utc)} ${summary.stage ? word(`stage_${summary.stage}`) : ""}`)));
  };
  return [
    el("div", { class: "head" }, el("h1", {}, word("two_title", { kind: word(`kind_${first.record.summary.kind}`) })), el("a", { class: "quiet", href: "#history" }, word("back"))),
    el("div", { class: "two" }, pictures, el("ul", { class: "both" }, line(first, word("run_first"), false), line(second, word("run_second"), true))),
  ];
}
