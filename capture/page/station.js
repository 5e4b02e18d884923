// What the page asks of the station; the same door as for every other program.

async function ask(method, path, body) {
  const headers = body ? { "Content-Type": "application/json" } : {};
  const answer = await fetch(path, { method, headers, body: body && JSON.stringify(body) });
  if (answer.ok) return answer.status === 204 ? null : answer.json();
  throw new Error(await refusal(answer));
}

async function refusal(answer) {
  const type = answer.headers.get("Content-Type") ?? "";
  if (!type.startsWith("application/json")) return `${answer.status} ${answer.statusText}`;
  const { error } = await answer.json();
  if (!error) return `${answer.status} ${answer.statusText}`;
  return [error.what, error.do].filter(Boolean).join("; ");
}

export const startRun = (kind, indicator) => ask("POST", "/runs", { kind, indicator });
export const markRun = (run) => ask("POST", `/runs/${run}/mark`);
export const stopRun = (run) => ask("POST", `/runs/${run}/stop`);
export const runRecord = (run) => ask("GET", `/runs/${run}`);
export const runTurns = (run) => ask("GET", `/runs/${run}/turns`);
