// The shapes of states: each is told by its form, colour only comes along.

import { el, node } from "./dom.js";

const CHECKS = { good: "M4 12L10 18L20 6", bad: "M12 3L22 21H2ZM12 9V14M12 17V18", unknown: "M6 12H18" };
const DISC = "M12 4a8 8 0 1 0 .01 0z";
const LINKS = {
  live: DISC, connecting: DISC, // full, and a ring
  stale: "M6 5V19M18 5V19", // two bars: it stands still
  lost: "M5 5L19 19M19 5L5 19", // a cross
  away: "M3 12H8M16 12H21M12 4V20", // a line cut in two
};

export const linkPath = (link) => node("path", { d: LINKS[link], class: link === "live" ? "full" : "" });

export function shape(path, name = "") {
  const made = node("svg", { viewBox: "0 0 24 24", "aria-hidden": "true", class: name });
  made.append(path);
  return made;
}

// A point of a list: good, bad or not known, and why.
export function checked(how, text, why) {
  return el("li", { class: how }, shape(node("path", { d: CHECKS[how] })), el("span", {}, text, why));
}
