// Turns laid round over one another. 0 degrees is at the top, angles grow clockwise: as the hub is seen from
// outside the vehicle. The band is as wide as the limit: a turn that stays inside it is within.

import { node, px } from "./dom.js";
import { word } from "./words.js";

export const SIZE = 400;
const MIDDLE = SIZE / 2;
const RING = 128; // radius of the mean
const SWING = 46; // pixels for half of the largest swing
const UM_PER_MM = 1000;
const STEP = 1.1;
const BIN_DEG = 2;
const BINS = 360 / BIN_DEG;
const HOLE_BINS = 6; // a wider gap is not drawn over
const SMOOTH_BINS = 4; // either side, for the live high spot
const SPEED_DEG = 60; // over so much of the last turning the speed is taken to go on
const HIGH_MS = 200; // an eye needs the high spot no oftener
const FURTHEST_DEG = 300; // beyond the last told angle; then the picture waits

export function point(deg, radius) {
  const rad = (deg * Math.PI) / 180;
  return `${px(MIDDLE + radius * Math.sin(rad))} ${px(MIDDLE - radius * Math.cos(rad))}`;
}

// The scale of a picture: from micrometres to a radius. All its curves and the limit fit in.
export function scaleFor(rows, limitMm) {
  let low = Infinity;
  let high = -Infinity;
  for (const row of rows) {
    for (const um of row) {
      if (um < low) low = um;
      if (um > high) high = um;
    }
  }
  const limitUm = (limitMm ?? 0) * UM_PER_MM;
  // in steps, so that a picture that grows is drawn anew seldom
  const reach = Math.max(limitUm / 2, STEP ** Math.ceil(Math.log((high - low) / 2 + 1e-9) / Math.log(STEP)), 0.1);
  const middle = (Math.round((4 * (low + high)) / reach) * reach) / 8;
  return { radius: (um) => RING + ((um - middle) / reach) * SWING, band: (limitUm / reach) * SWING };
}

function frame(scale) {
  const parts = [];
  if (scale.band) {
    parts.push(node("circle", { class: "limit", cx: MIDDLE, cy: MIDDLE, r: RING, "stroke-width": px(scale.band) }));
  }
  parts.push(node("circle", { class: "grid", cx: MIDDLE, cy: MIDDLE, r: RING }));
  return parts;
}

function zero(name) {
  return [
    node("path", { class: "edge", d: `M${point(0, RING - SWING - 22)}L${point(0, RING + SWING + 4)}` }),
    node("text", { x: MIDDLE, y: 16, "text-anchor": "middle" }, name),
  ];
}

function studTicks(studs) {
  const ticks = [];
  for (let i = 1; i < (studs ?? 0); i += 1) {
    const at = (360 * i) / studs;
    ticks.push(node("path", { class: "stud", d: `M${point(at, RING + SWING + 2)}L${point(at, RING + SWING + 12)}` }));
    const [x, y] = point(at, RING + SWING + 20).split(" ");
    ticks.push(node("text", { x, y: px(Number(y) + 5), "text-anchor": "middle" }, String(i + 1)));
  }
  return ticks;
}

function highSpot(deg) {
  const [tip, foot] = [RING - SWING - 1, RING - SWING - 23]; // inside it stand the words
  return `M${point(deg, tip)}L${point(deg - 10, foot)}L${point(deg + 10, foot)}Z`;
}

export function highWords(deg, marked, studs) {
  const lines = [word("round_high"), `${Math.round(deg) % 360}°`];
  if (marked && studs) {
    const stud = (Math.round((deg / 360) * studs) % studs) + 1;
    lines.push(word("near_stud", { stud }));
  }
  return lines;
}

function inTheMiddle(lines) {
  return lines.map((text, i) => node("text", {
    x: MIDDLE, y: MIDDLE + 21 * (i - 1) + (i === 1 ? 8 : 5), "text-anchor": "middle", class: i === 1 ? "degrees" : "about",
  }, text));
}

const closed = (angles, row, radius) => `M${row.map((um, i) => point(angles[i], radius(um))).join("L")}Z`;

// The turns of a run that has ended.
export function drawRound(svg, caption, result, laid, studs) {
  const { angle_deg: angles, turns_um: turns, repeatable_um: shared } = laid;
  svg.setAttribute("viewBox", `0 0 ${SIZE} ${SIZE}`);
  if (!angles.length) {
    svg.replaceChildren();
    caption.textContent = word("round_none");
    return;
  }
  const scale = scaleFor(turns, result.limit_mm?.max);
  const marked = ["marks", "angle"].includes(result.turns.found_by);
  const parts = [...frame(scale), ...(marked ? studTicks(studs) : [])];
  parts.push(...turns.map((row) => node("path", { class: "turn", d: closed(angles, row, scale.radius) })));
  parts.push(node("path", { class: "shared", d: closed(angles, shared, scale.radius) }));
  parts.push(...zero(word(marked ? "round_mark" : "round_start")));
  const deg = result.high_spot_deg;
  if (deg !== null) {
    parts.push(node("path", { class: "high", d: highSpot(deg) }), ...inTheMiddle(highWords(deg, marked, studs)));
  }
  svg.replaceChildren(...parts);
  svg.setAttribute("aria-label", word("round_label", { turns: turns.length, degrees: Math.round(deg ?? 0) }));
  caption.textContent = word(result.limit_mm ? "round_caption" : "round_caption_no_limit");
}

// What two runs repeat, one over the other; the second is dashed.
export function drawTwoRounds(svg, caption, first, second, limitMm) {
  svg.setAttribute("viewBox", `0 0 ${SIZE} ${SIZE}`);
  const about = (row) => {
    const middle = (Math.max(...row) + Math.min(...row)) / 2;
    return row.map((um) => um - middle); // where the plunger was zeroed is no difference of the flange
  };
  const rows = [about(first.repeatable_um), about(second.repeatable_um)];
  const scale = scaleFor(rows, limitMm);
  svg.replaceChildren(
    ...frame(scale),
    node("path", { class: "shared", d: closed(first.angle_deg, rows[0], scale.radius) }),
    node("path", { class: "shared second", d: closed(second.angle_deg, rows[1], scale.radius) }),
    ...zero("0°"),
  );
  svg.setAttribute("aria-label", word("two_round_label"));
  caption.textContent = word("two_round_caption");
}

// The turns of a run that goes on. Angles are told now and then; readings after the last told angle are laid
// on by the speed of the turning just before, and laid out anew as soon as the station has looked again.
export class LiveRound {
  constructor(svg) {
    this.svg = svg;
    this.clear();
  }

  clear() {
    this.t = [];
    this.um = [];
    this.told = null;
    this.turns = new Map();
    this.paths = new Map();
    this.drawn = "";
    this.laid = 0;
    this.lookedAt = -Infinity;
    this.svg.replaceChildren();
  }

  add(tNs, lengthNm) {
    for (let i = 0; i < tNs.length; i += 1) {
      this.t.push(tNs[i]);
      this.um.push(lengthNm[i] / 1000);
    }
  }

  hear(message) {
    if (!message.t_ns.length) return;
    this.told = message;
    this.turns.clear();
    this.laid = 0;
  }

  get ready() {
    return this.told !== null;
  }

  // The hub's angle at an instant, null where it is not known.
  angle(t) {
    const { t_ns: times, angle_deg: angles } = this.told;
    const end = times.length - 1;
    if (t < times[0]) return null;
    if (t <= times[end]) {
      while (this.at > 0 && times[this.at] > t) this.at -= 1;
      while (times[this.at + 1] < t) this.at += 1;
      const [a, b] = [this.at, Math.min(this.at + 1, end)];
      const share = b === a ? 0 : (t - times[a]) / (times[b] - times[a]);
      return angles[a] + share * (angles[b] - angles[a]);
    }
    let from = end;
    while (from > 0 && angles[end] - angles[from] < SPEED_DEG) from -= 1;
    const speed = (angles[end] - angles[from]) / Math.max(1, times[end] - times[from]);
    const further = speed * (t - times[end]);
    return further < FURTHEST_DEG ? angles[end] + further : null;
  }

  layOut() {
    if (this.laid === 0) this.at = 0;
    for (; this.laid < this.t.length; this.laid += 1) {
      const deg = this.angle(this.t[this.laid]);
      if (deg === null) continue;
      const turn = Math.floor(deg / 360);
      if (!this.turns.has(turn)) this.turns.set(turn, { sum: new Float64Array(BINS), count: new Uint16Array(BINS), fresh: true });
      const bins = this.turns.get(turn);
      const bin = Math.min(BINS - 1, Math.floor((deg - 360 * turn) / BIN_DEG));
      bins.sum[bin] += this.um[this.laid];
      bins.count[bin] += 1;
      bins.fresh = true;
      this.now = deg;
    }
  }

  draw(limitMm, studs) {
    if (!this.ready) return;
    this.layOut();
    const rows = [...this.turns.values()].map((bins) => {
      if (bins.fresh) bins.row = means(bins);
      return bins.row;
    });
    const scale = scaleFor(rows.map((row) => row.filter((um) => um !== null)), limitMm);
    const marked = this.told.from_mark;
    const key = [px(scale.radius(0)), px(scale.radius(1)), px(scale.band), marked, studs, word("round_mark")].join();
    if (key !== this.drawn) {
      this.drawn = key;
      this.lookedAt = -Infinity;
      this.paths.clear();
      this.svg.setAttribute("viewBox", `0 0 ${SIZE} ${SIZE}`);
      this.high = node("path", { class: "high" });
      this.middle = node("g", {});
      this.hub = node("circle", { class: "now", r: 8 });
      this.lines = node("g", {});
      this.svg.replaceChildren(...frame(scale), ...(marked ? studTicks(studs) : []), this.lines,
        ...zero(word(marked ? "round_mark" : "round_start")), this.high, this.middle, this.hub);
    }
    this.drawTurns(rows, scale);
    if (performance.now() - this.lookedAt > HIGH_MS) {
      this.lookedAt = performance.now();
      this.drawHigh(rows, marked, studs);
    }
    const [x, y] = point(this.now, scale.radius(this.um[this.um.length - 1])).split(" ");
    this.hub.setAttribute("cx", x);
    this.hub.setAttribute("cy", y);
  }

  drawTurns(rows, scale) {
    const names = [...this.turns.keys()];
    const newest = Math.max(...names);
    for (const [name, path] of this.paths) {
      if (this.turns.has(name)) continue;
      path.remove();
      this.paths.delete(name);
    }
    names.forEach((name, i) => {
      let path = this.paths.get(name);
      const isNew = !path;
      if (isNew) {
        path = node("path", {});
        this.paths.set(name, path);
        this.lines.append(path);
      }
      path.setAttribute("class", name === newest ? "turn newest" : "turn");
      if (isNew || this.turns.get(name).fresh) path.setAttribute("d", open(rows[i], scale.radius));
      this.turns.get(name).fresh = false;
    });
    this.svg.setAttribute("aria-label", word("round_live_label", { turns: names.length }));
  }

  drawHigh(rows, marked, studs) {
    const deg = highest(rows);
    this.highDeg = deg;
    const key = deg === null ? "" : String(Math.round(deg));
    if (this.middle.dataset.shown === key) return;
    this.middle.dataset.shown = key;
    this.high.setAttribute("d", deg === null ? "" : highSpot(deg));
    this.middle.replaceChildren(...(deg === null ? [] : inTheMiddle(highWords(deg, marked, studs))));
  }
}

function means(bins) {
  return Array.from(bins.count, (count, i) => (count ? bins.sum[i] / count : null));
}

function open(row, radius) {
  let d = "";
  let last = -Infinity;
  row.forEach((um, i) => {
    if (um === null) return;
    d += `${i - last > HOLE_BINS ? "M" : "L"}${point((i + 0.5) * BIN_DEG, radius(um))}`;
    last = i;
  });
  return d;
}

// The angle of the largest reading of what the turns share; null before a whole turn was seen.
function highest(rows) {
  const shared = Array.from({ length: BINS }, (_, i) => {
    const seen = rows.map((row) => row[i]).filter((um) => um !== null);
    return seen.length ? seen.reduce((a, b) => a + b, 0) / seen.length : null;
  });
  if (shared.filter((um) => um === null).length > BINS / 20) return null;
  let best = [-Infinity, null];
  for (let i = 0; i < BINS; i += 1) {
    let [sum, count] = [0, 0];
    for (let k = -SMOOTH_BINS; k <= SMOOTH_BINS; k += 1) {
      const um = shared[(i + k + BINS) % BINS];
      if (um !== null) [sum, count] = [sum + um, count + 1];
    }
    if (count && sum / count > best[0]) best = [sum / count, (i + 0.5) * BIN_DEG];
  }
  return best[1];
}
