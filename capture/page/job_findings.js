// What came out, part by part; before and after; and what is handed over.

import { el, node, px, told as inTongue } from "./dom.js";
import { showFigure } from "./lengths.js";
import { told, unit } from "./state.js";
import { releaseJob } from "./station.js";
import { language, sentence, told as inWords, word, worded } from "./words.js";

const STEP_NM = 1000;
const ROW = 84;

export function findings(job, end, takeIn) {
  const left = job.wheels.flatMap((each) => each.next.filter((step) => !step.optional));
  return [el("div", { class: "two" },
    el("section", { class: "found" },
      el("h2", {}, word("findings_title")),
      end.decisions.length ? el("ul", { class: "decisions" }, end.decisions.map(decision)) : el("p", { class: "empty" }, word("findings_none"))),
    el("section", { class: "handed" },
      el("h2", {}, word("before_after")),
      end.before_after.length ? end.before_after.map(change) : el("p", { class: "empty" }, word("before_after_none")),
      el("h2", {}, word("handover")),
      release(job, left, takeIn),
      el("a", { class: "deed", id: "claim", href: `/jobs/${job.id}/claim.zip?${claimForm()}`, download: "" }, word("claim_pack")),
      el("p", { class: "soft" }, word("claim_hint"))))];
}

const claimForm = () => new URLSearchParams({ language, first_unit: unit() }).toString();

function decision(each) {
  return el("li", { class: `decision ${each.action.replace(" ", "-")}` },
    el("p", { class: "action" }, el("b", {}, worded("part", each.part)), el("span", {}, word(`action_${each.action}`))),
    el("p", {}, each.reasons.flatMap((text) => [inTongue("span", sentence(text)), " "])),
    each.next_measurement ? el("p", { class: "soft" }, next(each.next_measurement)) : null);
}

function next(text) {
  const [before, after] = word("measure_next", { what: "\n" }).split("\n");
  return [before, inTongue("span", sentence(text)), after];
}

// Before and after on one scale with the limit, then what the repair changed.
function change(line) {
  const svg = node("svg", { class: "before-after", role: "img", viewBox: `0 0 480 ${2 * ROW + 26}` });
  const rows = [["before", line.before], ["after", line.after]];
  const show = (mm) => showFigure(mm, unit(), STEP_NM);
  const limit = rows.map(([, figure]) => figure?.limit_mm).find((mm) => mm) ?? null;
  const most = 1.15 * Math.max(limit ?? 0, ...rows.map(([, each]) => (each?.value_mm ?? 0) + (each?.expanded_mm ?? 0)), 0.001);
  const x = (mm) => 8 + (Math.max(0, mm) / most) * 464;
  rows.forEach(([name, figure], i) => {
    const y = i * ROW + 62;
    svg.append(node("text", { x: 8, y: y - 40, class: "soft" }, word(`figure_${name}`)), node("path", { class: "axis", d: `M8 ${y}H472` }));
    if (!figure || figure.value_mm === null) {
      svg.append(node("text", { x: 8, y: y - 18 }, word("not_measured")));
      return;
    }
    const verdict = figure.verdict ? `: ${word(figure.verdict)}` : "";
    const reach = figure.expanded_mm ?? 0;
    svg.append(
      node("text", { x: 8, y: y - 18 }, `${show(figure.value_mm)} ± ${show(reach)}${verdict}`),
      node("path", { class: "reach", d: `M${px(x(figure.value_mm - reach))} ${y}H${px(x(figure.value_mm + reach))}` }),
      node("path", { class: "found-at", d: `M${px(x(figure.value_mm))} ${y - 11}l9 11-9 11-9-11z` }));
  });
  if (limit) {
    const walls = rows.map((_, i) => `M${px(x(limit))} ${i * ROW + 48}v28`).join(""); // not through the words
    svg.append(node("path", { class: "limit", d: walls }),
      node("text", { x: px(Math.min(x(limit), 400)), y: 2 * ROW + 20, "text-anchor": "middle" }, word("limit", { limit: show(limit) })));
  }
  const heard = rows.map(([name, each]) => `${word(`figure_${name}`)} ${each?.value_mm ? show(each.value_mm) : word("not_measured")}`).join(", ");
  svg.setAttribute("aria-label", heard);
  return el("figure", {}, el("h3", {}, word(`kind_${line.quantity}`)), svg,
    line.change ? inTongue("figcaption", sentence(line.change.text)) : null);
}

function release(job, left, takeIn) {
  if (job.state !== "open") return el("p", { class: "held" }, word(`job_${job.state}`));
  if (left.length) return el("p", { class: "soft" }, word("release_left", { count: left.length, step: inWords(left[0].do) }));
  const go = () => told(async () => takeIn(await releaseJob(job.id)));
  return el("button", { type: "button", class: "deed", onclick: go }, word("release"));
}
