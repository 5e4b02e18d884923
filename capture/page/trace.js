// The readings unrolled over time: at most two points for each column of pixels, whatever the pace.

import { fit, node, px } from "./dom.js";
import { showLength } from "./lengths.js";

export const WINDOW_S = 24;
const MOST = 6000; // 24 s at 250 readings a second; beyond it the oldest go
const EDGE = 26;
const FEWEST_STEPS = 12; // a hub at rest is not blown up until its last digit fills the picture
const HOLD_S = 0.5;
const HOLD_SHARE = 0.08;

export class Trace {
  constructor(svg) {
    this.svg = svg;
    this.t = [];
    this.nm = [];
    this.line = node("path", { class: "line" });
    this.holds = node("g", {});
    this.grid = [node("path", { class: "grid" }), node("text", { x: 10, y: 20 }), node("text", { x: 10 })];
    svg.append(...this.grid, this.holds, this.line);
  }

  clear() {
    this.t = [];
    this.nm = [];
  }

  add(tNs, lengthNm) {
    if (tNs[0] / 1e9 < this.t[this.t.length - 1]) this.clear(); // the station's clock began anew
    for (let i = 0; i < tNs.length; i += 1) {
      this.t.push(tNs[i] / 1e9);
      this.nm.push(lengthNm[i]);
    }
    const from = this.t[this.t.length - 1] - WINDOW_S;
    let old = Math.max(0, this.t.length - MOST);
    while (this.t[old] < from) old += 1;
    if (old > MOST / 10) {
      this.t.splice(0, old);
      this.nm.splice(0, old);
    }
  }

  // Draws; returns when the newest hold began, in the station's seconds, 0 without one.
  draw(unit, stepNm, withHolds) {
    const [width, height] = fit(this.svg);
    if (!width || !this.t.length) return 0;
    const end = this.t[this.t.length - 1];
    const from = Math.max(end - WINDOW_S, this.t[0]); // a fresh trace begins at the left
    const columns = this.columns(from, Math.max(1, Math.floor(width)));
    let low = Infinity;
    let high = -Infinity;
    for (const [, min, max] of columns) {
      low = Math.min(low, min);
      high = Math.max(high, max);
    }
    const span = Math.max(high - low, FEWEST_STEPS * stepNm);
    const bottom = (high + low - span) / 2;
    const y = (nm) => height - EDGE - ((nm - bottom) / span) * (height - 2 * EDGE);
    const x = (t) => ((t - from) / WINDOW_S) * width;
    this.line.setAttribute("d", path(columns, y));
    this.grid[0].setAttribute("d", `M0 ${px(y(high))}H${width}M0 ${px(y(low))}H${width}`);
    this.grid[1].setAttribute("y", px(y(high) - 7));
    this.grid[1].textContent = showLength(high, unit, stepNm);
    this.grid[2].setAttribute("y", px(y(low) + 19));
    this.grid[2].textContent = showLength(low, unit, stepNm);
    const found = withHolds ? held(this.t, this.nm, from, Math.max(3 * stepNm, span * HOLD_SHARE)) : [];
    this.holds.replaceChildren(
      ...found.map(([a, b, level]) =>
        node("line", { class: "hold", x1: px(x(a)), x2: px(x(b)), y1: px(y(level)), y2: px(y(level)) })),
    );
    return found.length ? found[found.length - 1][0] : 0;
  }

  // [column, smallest, largest, first, last] for each column of pixels that holds a reading
  columns(from, width) {
    const found = [];
    for (let i = 0; i < this.t.length; i += 1) {
      if (this.t[i] < from) continue;
      const column = Math.floor(((this.t[i] - from) / WINDOW_S) * width);
      const nm = this.nm[i];
      const last = found[found.length - 1];
      if (last && last[0] === column) {
        last[1] = Math.min(last[1], nm);
        last[2] = Math.max(last[2], nm);
        last[3] = nm;
      } else found.push([column, nm, nm, nm]);
    }
    return found;
  }
}

function path(columns, y) {
  let d = "";
  for (const [column, min, max, last] of columns) {
    const [a, b] = last === max ? [min, max] : [max, min];
    d += `${d ? "L" : "M"}${column} ${px(y(a))}`;
    if (a !== b) d += `L${column} ${px(y(b))}`;
  }
  return d;
}

// Stretches of at least HOLD_S whose readings stay within `reach` of one another: [from, to, level].
function held(t, nm, from, reach) {
  const found = [];
  let start = 0;
  while (start < t.length && t[start] < from) start += 1;
  while (start < t.length) {
    let low = nm[start];
    let high = nm[start];
    let end = start + 1;
    while (end < t.length) {
      low = Math.min(low, nm[end]);
      high = Math.max(high, nm[end]);
      if (high - low > reach) break;
      end += 1;
    }
    if (t[end - 1] - t[start] >= HOLD_S) {
      const inside = nm.slice(start, end).sort((a, b) => a - b);
      found.push([t[start], t[end - 1], inside[Math.floor(inside.length / 2)]]);
      start = end;
    } else start += 1;
  }
  return found;
}
