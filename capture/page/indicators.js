// The indicators view: each one, whether it speaks, whether it may be believed, and its check.

import { by, el, renew, set, told as inTongue } from "./dom.js";
import { show } from "./heard.js";
import { showFigure, showLength } from "./lengths.js";
import { checked, linkPath, shape } from "./marks.js";
import { closeSheet, openSheet } from "./sheet.js";
import { changed, quietly, running, state, told, unit } from "./state.js";
import { cards, startCheck, stopCheck } from "./station.js";
import { language, said, trouble, when, word } from "./words.js";

const GOING = ["resting", "setting"];
let known = null;
let asked = "";

export function enterIndicators() {
  asked = "";
}

// The cards are asked for again when a state or a check has changed.
function lookAgain() {
  const key = JSON.stringify([[...state.indicators.values()].map((each) => [each.indicator, each.state, each.battery]),
    [...state.checks.values()].map((each) => [each.indicator, each.state])]);
  if (key === asked || !state.live) return;
  asked = key;
  quietly(async () => {
    known = await cards();
  });
}

export function drawIndicators() {
  lookAgain();
  const going = [...state.checks.values()].filter((each) => GOING.includes(each.state));
  const key = JSON.stringify([known, [...state.indicators.values()].map((each) => [each.state, each.why, each.battery]), going.map((each) => each.indicator), state.shown,
    state.live, running(), unit(), language]);
  renew(by("room-indicators"), key, () => [
    el("div", { class: "head" }, el("h1", {}, word("room_indicators"))),
    known === null ? el("p", { class: "wait" }, word("wait"))
      : known.length ? el("ul", { class: "cards" }, known.map((each) => card(each, going.find((one) => one.indicator === each.indicator))))
        : el("p", { class: "empty" }, word("indicators_none")),
  ]);
  // what to do next changes every second: the key that ends the check stays the same
  for (const each of going) set(by(`do-${each.indicator}`), said(each.say));
}

function card(described, going) {
  const now = state.indicators.get(described.indicator) ?? described; // what is heard is newer than what was asked
  const link = state.live ? now.state : "lost";
  return el("li", { class: `card ${link}`, "data-indicator": described.indicator },
    el("div", { class: "card-head" }, shape(linkPath(link), "link"), el("div", {},
      el("h2", {}, described.indicator, described.simulated ? ` (${word("simulated")})` : ""),
      el("p", { class: "soft" }, word(state.live ? now.state : "away")))),
    now.why ? inTongue("p", trouble(now.why), { class: "problem" }) : null,
    el("ul", { class: "checks" }, calibration(described), lastCheck(described)),
    going ? el("p", { class: "do", role: "status", id: `do-${described.indicator}` }) : facts(described, now),
    keys(described, now, going));
}

const point = (how, text, why) => checked(how, text, why ? el("span", { class: "why" }, why) : null);

function calibration({ calibration_due: due, calibration_overdue: overdue }) {
  if (!due) return point("unknown", word("check_calibration_unknown"));
  const how = overdue ? "bad" : "good";
  return point(how, word(`check_calibration_${how}`), word("due_on", { due }));
}

function lastCheck({ last_check: last, resolution_nm: stepNm }) {
  if (!last) return point("unknown", word("checked_never"));
  const { check } = last;
  const figures = [word("check_rest", { spread: showFigure(check.at_rest.spread_mm, unit(), stepNm) })];
  if (check.blocks) figures.push(word("check_blocks", { worst: showFigure(check.blocks.worst_mm, unit(), stepNm), verdict: word(check.blocks.verdict) }));
  const reasons = check.passed ? [] : check.reasons.flatMap((each) => [" ", inTongue("span", trouble(each.text))]);
  return point(check.passed ? "good" : "bad", word(check.passed ? "checked_good" : "checked_bad"),
    el("span", {}, `${[when(last.made_utc), ...figures].join(", ")}.`, reasons));
}

function facts(described, now) {
  const battery = now.battery ?? described.battery;
  const all = [
    ["fact_step", showLength(described.resolution_nm, unit(), described.resolution_nm)],
    ["fact_error", showLength(described.permissible_error_nm, unit(), described.resolution_nm)],
    ["fact_range", showLength(described.range_nm, unit(), 100_000)],
    ["fact_battery", battery === null ? word("battery_untold") : `${battery} %`],
    ["fact_serial", described.serial_number || "–"],
    ["fact_port", now.port || "–"],
    ["fact_identity", now.identity || "–"],
    ["fact_unreadable", String(now.unreadable)],
    ["fact_reconnects", String(now.reconnects)],
  ];
  return el("dl", {}, all.map(([name, value]) => el("div", { class: name === "fact_port" ? "long" : null }, el("dt", {}, word(name)), el("dd", {}, value))));
}

function keys({ indicator }, now, going) {
  if (going) return el("div", { class: "keys" }, el("button", { type: "button", class: "quiet", "data-key": `stop ${indicator}`, onclick: () => told(() => stopCheck(indicator)) }, word("stop")));
  const cannot = !state.live || now.state !== "live" || running();
  return el("div", { class: "keys" },
    el("button", { type: "button", class: "deed", "data-key": `check ${indicator}`, disabled: cannot, onclick: () => begin(indicator, {}) }, word("indicator_check")),
    el("button", { type: "button", class: "quiet", "data-key": `blocks ${indicator}`, disabled: cannot, onclick: () => askBlocks(indicator) }, word("indicator_blocks")),
    el("button", { type: "button", class: "quiet", "data-key": `use ${indicator}`, onclick: () => { show(indicator); location.hash = "#measure"; } }, word("indicator_use")));
}

const begin = (name, how) => told(async () => {
  const progress = await startCheck(name, how);
  state.checks.set(name, progress);
  changed();
});

// Known lengths under the plunger, one after the other: which ones lie there?
function askBlocks(name) {
  const blocks = el("input", { class: "wide", "aria-label": word("blocks_label"), placeholder: "1.000 mm, 1.010 mm, 1.050 mm", required: true });
  const go = () => {
    const lengths = blocks.value.split(/[,;]/).map((each) => each.trim()).filter(Boolean);
    if (!lengths.length) return blocks.focus();
    return begin(name, { blocks: lengths }).then((begun) => begun && closeSheet());
  };
  openSheet(word("blocks_title"), el("p", {}, word("blocks_hint")), blocks,
    el("button", { type: "button", class: "deed", onclick: go }, word("indicator_check")));
  blocks.focus();
}
