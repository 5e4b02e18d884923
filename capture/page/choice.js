// What is measured next: wheel, stage, job, studs, and the vehicle maker's limits with their source.

import { el } from "./dom.js";
import { answers, closeSheet, openSheet } from "./sheet.js";
import { choice, choose, quietly } from "./state.js";
import { jobs } from "./station.js";
import { word } from "./words.js";

const WHEELS = ["front left", "front right", "rear left", "rear right"]; // as the vehicle is seen from above
const STAGES = ["as found", "after repair"];
const STUDS = [null, 3, 4, 5, 6, 8];
const KINDS = ["runout", "endplay"];

export function showChoice(done) {
  const asked = structuredClone(choice);
  const field = (kind) => limitField(asked, kind);
  openSheet(word("choice_title"),
    part("choice_job_pick", jobField(asked)),
    part("choice_wheel", answers(word("choice_wheel"), WHEELS.map((each) => [each, word(`wheel_${each}`)]), asked.wheel,
      (value) => { asked.wheel = value; }), "wheels"),
    part("choice_stage", answers(word("choice_stage"), STAGES.map((each) => [each, word(`stage_${each}`)]), asked.stage,
      (value) => { asked.stage = value; })),
    part("choice_limits", el("div", { class: "fields" }, KINDS.map(field), sourceField(asked))),
    part("choice_studs", answers(word("choice_studs"), STUDS.map((each) => [each, each ?? word("studs_unknown")]), asked.studs,
      (value) => { asked.studs = value; }), "small"),
    el("button", { type: "button", class: "deed", onclick: () => { choose(asked); closeSheet(); done(); } }, word("choice_done")),
  );
}

function part(title, content, kind = "") {
  return el("section", { class: `part ${kind}` }, el("h3", {}, word(title)), content);
}

// The vehicles that are in, as soon as the station has named them.
function jobField(asked) {
  const field = el("select", { class: "wide", "aria-label": word("choice_job_pick"), onchange: () => {
    asked.job = field.value || null;
    asked.vehicle = field.value ? field.selectedOptions[0].textContent : "";
  } }, el("option", { value: "" }, word("choice_no_job")));
  quietly(async () => {
    const open = new Map((await jobs({ last: 200 })).filter((each) => !each.closed_utc).map((each) => [each.id, each]));
    for (const [id, each] of open) {
      const name = [each.vehicle || word("vehicle_unnamed"), each.vin].filter(Boolean).join(", ");
      field.append(el("option", { value: id, selected: id === asked.job }, name));
    }
  });
  return field;
}

function limitField(asked, kind) {
  const given = asked.limits[kind] ?? { value: "", unit: "mm" };
  const keep = () => {
    if (given.value) asked.limits[kind] = given;
    else delete asked.limits[kind];
  };
  const number = el("input", {
    inputmode: "decimal", value: given.value, size: 8, autocomplete: "off", placeholder: word("limit_own"),
    oninput: (event) => { given.value = event.target.value.trim().replace(",", "."); keep(); },
  });
  const unit = el("select", { "aria-label": word("unit_of", { of: word(`kind_${kind}`) }),
    onchange: (event) => { given.unit = event.target.value; keep(); } },
    ["mm", "in"].map((each) => el("option", { value: each, selected: each === given.unit }, each)));
  return el("label", { class: "field" }, el("span", {}, word(`kind_${kind}`)), el("span", { class: "with-unit" }, number, unit));
}

function sourceField(asked) {
  const input = el("input", {
    value: asked.source, maxlength: 200, placeholder: word("limit_source_hint"),
    oninput: (event) => { asked.source = event.target.value.trim(); },
  });
  return el("label", { class: "field" }, el("span", {}, word("limit_from")), input);
}

// The request for a run, as the choice stands.
export function requestFor(kind, indicator) {
  const limit = choice.limits[kind];
  const request = { kind, indicator };
  for (const name of ["wheel", "stage", "job", "studs"]) if (choice[name]) request[name] = choice[name];
  if (limit) request.limit = `${limit.value} ${limit.unit}`;
  if (limit && choice.source) request.limit_source = choice.source;
  if (kind === "rest") delete request.studs;
  return request;
}
