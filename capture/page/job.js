// The job view: which vehicles are in, and one of them with its wheel ends.

import { by, el, renew } from "./dom.js";
import { findings } from "./job_findings.js";
import { openForm } from "./job_open.js";
import { steps } from "./job_steps.js";
import { changed, choose, quietly, state, unit } from "./state.js";
import { jobView, jobs, takeStep } from "./station.js";
import { askTechnician, technician } from "./technician.js";
import { told as inWords, language, when, word } from "./words.js";

let list = null;
let job = null;
let [tickets, newest] = [0, 0];
let shown = 0; // counts what came from the station, so that it is drawn anew

export function enterJob([id]) {
  if (!id) return refreshList();
  if (id === "new") return changed();
  if (job?.id !== id) job = null;
  const mine = (tickets += 1);
  return quietly(async () => {
    const view = await jobView(id);
    if (mine > newest) takeIn(view, mine); // else something that was asked for later is there already
  });
}

const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);

const refreshList = () => quietly(async () => {
  const now = await jobs({ last: 200 });
  if (!same(list, now)) shown += 1;
  list = now;
});

export function takeIn(view, ticket = (tickets += 1)) {
  newest = ticket;
  if (!same(job, view)) shown += 1;
  job = view;
  changed();
}

export function drawJob() {
  const [id, wheel, part, step] = state.place;
  const key = id === "new" ? `new|${language}` // what comes from the station must not disturb who writes
    : [id, wheel, part, step, shown, language, unit(), technician()].join("|");
  renew(by("room-job"), key, () => {
    if (!id) return jobList();
    if (id === "new") return openForm((view) => { takeIn(view); location.hash = `#job/${view.id}`; });
    return job ? oneJob(wheel ? decodeURIComponent(wheel) : null, part ?? "steps", step) : [el("p", { class: "wait" }, word("wait"))];
  });
}

// The list ----

function jobList() {
  const known = new Map();
  for (const line of list ?? []) {
    if (!known.has(line.id)) known.set(line.id, { ...line, wheels: [] });
    known.get(line.id).wheels.push(word(`wheel_${line.wheel}`));
  }
  const all = [...known.values()].sort((a, b) => Boolean(a.closed_utc) - Boolean(b.closed_utc));
  return [
    el("div", { class: "head" }, el("h1", {}, word("jobs_title")), el("a", { class: "deed", href: "#job/new" }, word("job_open"))),
    list === null ? el("p", { class: "wait" }, word("wait")) : null,
    list !== null && !all.length ? el("p", { class: "empty" }, word("jobs_none")) : null,
    el("ul", { class: "rows" }, all.map(jobRow)),
  ].filter(Boolean);
}

function jobRow(line) {
  const what = [line.vehicle || word("vehicle_unnamed"), line.vin].filter(Boolean).join(", ");
  return el("li", {}, el("a", { class: "row", href: `#job/${line.id}` },
    el("span", { class: line.closed_utc ? "mark done" : "mark open" }, word(line.closed_utc ? "job_closed" : "job_is_open")),
    el("span", {}, el("b", {}, what), el("span", { class: "soft" }, `${line.wheels.join(", ")} · ${line.complaint || word("no_complaint")}`)),
    el("span", { class: "soft aside" }, `${when(line.opened_utc)}, ${line.technician}`)));
}

// One job ----

function oneJob(wheel, part, step) {
  const end = job.wheels.find((each) => each.wheel === wheel) ?? job.wheels[0];
  const place = (to, of = end.wheel) => `#job/${job.id}/${encodeURIComponent(of)}/${to}`;
  const tab = (to, name, on) => el("a", { class: "tab", href: to, "aria-current": on ? "page" : null }, name);
  return [
    el("div", { class: "head" },
      el("h1", {}, job.vehicle || job.vin || word("vehicle_unnamed")),
      el("button", { type: "button", class: "quiet", "data-key": "technician", onclick: () => askTechnician(changed) },
        technician() ? word("technician_is", { name: technician() }) : word("technician_title"))),
    el("nav", { class: "tabs", "aria-label": word("job_parts") },
      job.wheels.length > 1 ? job.wheels.map((each) => tab(place(part, each.wheel), word(`wheel_${each.wheel}`), each === end)) : null,
      job.wheels.length > 1 ? el("span", { class: "between" }) : null,
      tab(place("steps"), word("job_steps"), part === "steps"),
      tab(place("findings"), word("job_findings"), part === "findings")),
    ...(part === "findings" ? findings(job, end, takeIn) : steps(job, end, step, { takeIn, measure })),
  ];
}

// The measuring view takes over, and comes back here when the run is kept.
function measure(end, step) {
  choose({ wheel: end.wheel, job: job.id, vehicle: job.vehicle || job.vin || "", stage: step.stage === "after repair" ? "after repair" : "as found" });
  state.forStep = { job: job.id, wheel: end.wheel, step: step.step, kind: step.run };
  state.outcome = null;
  location.hash = "#measure";
}

// A run was kept: when it was measured for a step, it is recorded there.
export async function stepMeasured(run, kind) {
  const asked = state.forStep;
  if (!asked || asked.kind !== kind) return;
  const taken = await takeStep(asked.job, asked.step, { technician: technician(), wheel: asked.wheel, run });
  state.forStep = null;
  takeIn(taken.job);
  state.carried = taken.problem ? inWords(taken.problem) : "";
  location.hash = `#job/${asked.job}/${encodeURIComponent(asked.wheel)}/steps`;
}
