// One step at a time: what to do, the caution that belongs to it, and how it is answered.

import { el, node, sent } from "./dom.js";
import { openSheet, closeSheet } from "./sheet.js";
import { told } from "./state.js";
import { photoStep, skipStep, takeStep } from "./station.js";
import { asTechnician, technician } from "./technician.js";
import { told as inWords, word } from "./words.js";

const SHAPES = {
  done: "M4 12L10 18L20 6", wrong: "M5 5L19 19M19 5L5 19", skipped: "M6 12H18",
  open: "M12 5a7 7 0 1 0 .01 0z", now: "M7 4L19 12L7 20Z",
};
const WIDEST_PHOTO = 1600; // pixels: enough to see a groove, small enough for a workshop's network

export function steps(job, end, asked, { takeIn, measure }) {
  const next = end.next[0];
  const step = end.steps.find((each) => each.step === asked) ?? next;
  const desk = { job, end, takeIn, measure };
  return [el("div", { class: "two" },
    el("section", { class: "step" }, step ? oneStep(step, desk) : allDone(job)),
    el("section", { class: "path", tabindex: "0", "data-key": "path", "aria-label": word("job_path") }, path(job, end, step)))];
}

function allDone(job) {
  const way = `#job/${job.id}/${encodeURIComponent(job.wheels[0].wheel)}/findings`;
  return [el("p", { class: "do" }, word("steps_done")), el("a", { class: "deed", href: way }, word("job_findings"))];
}

function oneStep(step, desk) {
  const closed = desk.job.state !== "open";
  const held = step.after ? el("p", { class: "held" }, word("step_after", { step: doOf(desk.end, step.after) })) : null;
  const entry = [...desk.end.entries].reverse().find((each) => each.step === step.step);
  return [
    el("p", { class: "stage" }, inWords(step.stage)),
    el("h2", { class: "do" }, inWords(step.do)),
    step.caution ? el("p", { class: "caution" }, inWords(step.caution)) : null,
    step.problem ? el("p", { class: "problem" }, inWords(step.problem)) : null,
    entry ? recorded(entry, desk.job) : null,
    closed ? el("p", { class: "held" }, word("job_is_closed")) : held ?? control(step, desk),
    closed ? null : skipper(step, desk),
  ];
}

const doOf = (end, name) => inWords(end.steps.find((each) => each.step === name)?.do ?? name);

function recorded(entry, job) {
  const text = word("step_recorded", { answer: inWords(entry.answer), who: entry.technician });
  const photos = entry.photos.map((each) =>
    el("img", { src: `/photos/${each.sha256}?job=${job.id}`, alt: each.name, class: "photo" }));
  return el("div", { class: "recorded" }, el("p", {}, text), photos);
}

// How a step is answered, by what it records.
function control(step, desk) {
  if (step.records === "run") return runControl(step, desk);
  if (step.records === "photo") return photoControl(step, desk);
  if (step.found_out) return el("button", { type: "button", class: "deed", onclick: () => take(step, desk, {}) }, word(`find_${step.records}`));
  if (step.records === "number") return numberControl(step, desk);
  if (step.records === "text") return textControl(step, desk);
  return el("div", { class: "answers" }, step.answers.map((each) =>
    el("button", { type: "button", class: "answer", "data-key": `${step.step} ${each}`, onclick: () => take(step, desk, { answer: each }) }, el("b", {}, inWords(each)))));
}

function runControl(step, desk) {
  return el("button", { type: "button", class: "deed measure-now", onclick: () => asTechnician(() => desk.measure(desk.end, step)) },
    word("measure_now", { kind: word(`kind_${step.run}`) }));
}

function numberControl(step, desk) {
  const units = { "N m": ["N m", "lbf ft"], mm: ["mm", "in"], um: ["um", "mm"], in: ["in", "mm"] }[step.unit] ?? [step.unit];
  const name = fieldOf(step, desk);
  const number = el("input", { "data-written": name, inputmode: "decimal", autocomplete: "off", class: "number", "aria-label": inWords(step.do), required: true });
  const unit = el("select", { "data-written": `${name} unit`, "aria-label": word("unit_of", { of: inWords(step.do) }) }, units.map((each) => el("option", {}, each)));
  return entryForm(() => number.value.trim() && `${number.value.trim().replace(",", ".")} ${unit.value}`, step, desk, number, unit);
}

const fieldOf = (step, { job, end }) => [job.id, end.wheel, step.step].join(" ");

function textControl(step, desk) {
  const text = el("input", { "data-written": fieldOf(step, desk), class: "wide", maxlength: 2000, "aria-label": inWords(step.do), required: true });
  return entryForm(() => text.value.trim(), step, desk, text);
}

function entryForm(read, step, desk, ...fields) {
  const submit = (event) => {
    event.preventDefault();
    const answer = read();
    if (answer) take(step, desk, { answer });
  };
  return el("form", { class: "entry", onsubmit: submit }, fields, el("button", { class: "deed", type: "submit" }, word("record")));
}

function photoControl(step, desk) {
  const file = el("input", { type: "file", accept: "image/jpeg,image/png", capture: "environment", class: "hidden-file", id: "photo-file",
    onchange: (event) => event.target.files[0] && asTechnician(() => sendPhoto(step, desk, event.target.files[0])) });
  return el("div", {}, file, el("label", { class: "deed", for: "photo-file" }, word("take_photo")));
}

function sendPhoto(step, desk, file) {
  return told(async () => {
    const small = await smaller(file);
    const asked = { technician: technician(), wheel: desk.end.wheel, name: file.name };
    desk.takeIn((await photoStep(desk.job.id, step.step, asked, small)).job);
    forward(desk);
  });
}

// A camera's picture has many times the pixels that are needed.
async function smaller(file) {
  const picture = await createImageBitmap(file);
  const scale = Math.min(1, WIDEST_PHOTO / Math.max(picture.width, picture.height));
  if (scale === 1) return file;
  const canvas = el("canvas", { width: Math.round(picture.width * scale), height: Math.round(picture.height * scale) });
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  return new Promise((made) => canvas.toBlob(made, "image/jpeg", 0.85));
}

function take(step, desk, answer) {
  asTechnician(() => told(async () => {
    const taken = await takeStep(desk.job.id, step.step, { technician: technician(), wheel: desk.end.wheel, ...answer });
    sent(fieldOf(step, desk), `${fieldOf(step, desk)} unit`);
    desk.takeIn(taken.job);
    if (taken.problem) throw new Error(inWords(taken.problem));
    forward(desk);
  }));
}

// From a step that was chosen by hand back to the one that comes next.
function forward({ job, end }) {
  location.hash = `#job/${job.id}/${encodeURIComponent(end.wheel)}/steps`;
}

function skipper(step, desk) {
  const ask = () => asTechnician(() => {
    const reason = el("input", { maxlength: 2000, required: true, "aria-label": word("skip_why") });
    const skip = () => reason.value.trim() && told(async () => {
      desk.takeIn(await skipStep(desk.job.id, step.step, { technician: technician(), wheel: desk.end.wheel, reason: reason.value.trim() }));
      closeSheet();
      forward(desk);
    });
    openSheet(word("skip_why"), reason, el("button", { type: "button", class: "deed", onclick: skip }, word("skip")));
    reason.focus();
  });
  return el("button", { type: "button", class: "quiet", onclick: ask }, word("skip"));
}

function path(job, end, current) {
  const made = [];
  let stage = "";
  for (const step of end.steps.filter((each) => each.state !== "not asked")) {
    if (step.stage !== stage) made.push(el("h3", {}, inWords(step.stage)));
    stage = step.stage;
    const now = step.step === current?.step;
    const shape = node("svg", { viewBox: "0 0 24 24", "aria-hidden": "true" });
    shape.append(node("path", { d: SHAPES[now ? "now" : step.state], class: now ? "full" : "" }));
    made.push(el("a", {
      href: `#job/${job.id}/${encodeURIComponent(end.wheel)}/steps/${step.step}`, class: `path-step ${step.state}`,
      "aria-current": now ? "step" : null,
    }, shape, el("span", {}, inWords(step.do), el("span", { class: "off" }, ` (${word(`step_${step.state}`)})`))));
  }
  return made;
}

