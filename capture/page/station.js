// What the page asks of the station; the same door as for every other program.

import { state } from "./state.js";

// A key pressed again while its answer is on the way asks nothing more.
const going = new Map();

function ask(method, path, body) {
  if (method === "GET" || body instanceof Blob) return asked(method, path, body);
  const key = [method, path, JSON.stringify(body)].join();
  if (!going.has(key)) going.set(key, asked(method, path, body).finally(() => going.delete(key)));
  return going.get(key);
}

async function asked(method, path, body) {
  const isFile = body instanceof Blob;
  const headers = body ? { "Content-Type": isFile ? body.type : "application/json" } : {};
  const answer = await fetch(path, { method, headers, body: isFile ? body : body && JSON.stringify(body) });
  if (!answer.ok) throw await refusal(answer);
  if (answer.status === 204) return null;
  const type = answer.headers.get("Content-Type") ?? "";
  return type.startsWith("application/json") ? answer.json() : answer.text();
}

async function refusal(answer) {
  const type = answer.headers.get("Content-Type") ?? "";
  const said = type.startsWith("application/json") ? await answer.json() : {};
  const why = said.error;
  if (answer.status === 401 && why?.code === "not_paired") state.paired = false;
  if (why) return new Error([why.what, why.do].filter(Boolean).join("; "));
  if (Array.isArray(said.detail)) return new Error(said.detail.map((each) => `${each.loc.at(-1)}: ${each.msg}`).join("; "));
  return new Error(`${answer.status} ${answer.statusText}`);
}

const query = (by) => new URLSearchParams(Object.entries(by).filter(([, value]) => value)).toString();

export const health = () => ask("GET", "/health");
export const pair = (code, device) => ask("POST", "/pair", { code, device });
export const setUp = (asked) => ask("GET", `/set-up?${query(asked)}`);
export const startRun = (request) => ask("POST", "/runs", request);
export const markRun = (run) => asked("POST", `/runs/${run}/mark`); // every tap counts
export const stopRun = (run) => ask("POST", `/runs/${run}/stop`);
export const keepRun = (run, word, reason) => ask("POST", `/runs/${run}/keeping`, { word, reason });
export const runs = (asked) => ask("GET", `/runs?${query(asked)}`);
export const runRecord = (run) => ask("GET", `/runs/${run}`);
export const runTurns = (run) => ask("GET", `/runs/${run}/turns`);
export const runTrace = (run) => ask("GET", `/runs/${run}/trace.csv`);

const of = encodeURIComponent;
export const jobs = (asked = {}) => ask("GET", `/jobs?${query(asked)}`);
export const jobView = (job) => ask("GET", `/jobs/${of(job)}`);
export const openJob = (sheet) => ask("POST", "/jobs", sheet);
export const takeStep = (job, step, answer) => ask("POST", `/jobs/${of(job)}/steps/${of(step)}`, answer);
export const skipStep = (job, step, why) => ask("POST", `/jobs/${of(job)}/steps/${of(step)}/skip`, why);
export const measureStep = (job, step, asked) => ask("POST", `/jobs/${of(job)}/steps/${of(step)}/run`, asked);
export const photoStep = (job, step, asked, file) => ask("POST", `/jobs/${of(job)}/steps/${of(step)}/photos?${query(asked)}`, file);
export const releaseJob = (job) => ask("POST", `/jobs/${of(job)}/release`);
export const cards = () => ask("GET", "/api/indicators");
export const startCheck = (name, asked) => ask("POST", `/api/indicators/${of(name)}/check`, asked);
export const stopCheck = (name) => ask("DELETE", `/api/indicators/${of(name)}/check`);
export const history = () => ask("GET", "/history");
