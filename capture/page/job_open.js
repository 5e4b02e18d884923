// A vehicle arrives: what is written down before a hand goes to it.

import { el } from "./dom.js";
import { answers } from "./sheet.js";
import { told } from "./state.js";
import { openJob } from "./station.js";
import { technician } from "./technician.js";
import { word } from "./words.js";

const WHEELS = ["front left", "front right", "rear left", "rear right"];
const BEARINGS = ["not known", "ball", "tapered"];

const blank = () => ({ sheet: { technician: technician() }, wheels: new Set(), common: { bearing: "not known", limits: {} } });
let draft = null; // what is written so far: outlives every redraw, until the job is opened or given up

export function openForm(opened) {
  draft ??= blank();
  const { sheet, wheels, common } = draft;
  const text = (name, hint, of = sheet, more = {}) => field(word(`sheet_${name}`), el("input", {
    name, value: of[name] ?? "", placeholder: hint ?? "", maxlength: 200, autocomplete: "off", ...more,
    oninput: (event) => { of[name] = event.target.value.trim(); },
  }));
  const limit = (kind) => field(word("sheet_limit", { kind: word(`kind_${kind}`) }), el("input", {
    name: `limit_${kind}`, value: common.limits[kind] ?? "", placeholder: "0.05 mm", maxlength: 60, autocomplete: "off",
    oninput: (event) => {
      if (event.target.value.trim()) common.limits[kind] = event.target.value.trim();
      else delete common.limits[kind];
    },
  }));
  const submit = (event) => {
    event.preventDefault();
    localStorage.setItem("technician", sheet.technician);
    const ends = [...wheels].map((wheel) => ({ wheel, ...common }));
    told(async () => {
      if (!ends.length) throw new Error(word("sheet_no_wheel"));
      const made = await openJob({ ...sheet, wheels: ends });
      draft = null;
      opened(made.job);
    });
  };
  return [
    el("div", { class: "head" }, el("h1", {}, word("job_open")), el("a", { class: "quiet", href: "#job", onclick: () => { draft = null; } }, word("cancel"))),
    el("form", { class: "form", onsubmit: submit },
      text("technician", "", sheet, { required: true, autocomplete: "name" }),
      text("vehicle"),
      text("vin", "", sheet, { maxlength: 17, autocapitalize: "characters", spellcheck: "false" }),
      text("plate", "", sheet, { autocapitalize: "characters", spellcheck: "false" }),
      text("odometer", "120000 km"),
      text("customer", word("sheet_customer_hint")),
      text("complaint", "", sheet, { maxlength: 2000 }),
      el("section", { class: "part wheels" }, el("h2", {}, word("sheet_wheels")), manyWheels(wheels)),
      el("section", { class: "part" }, el("h2", {}, word("sheet_bearing")),
        answers(word("sheet_bearing"), BEARINGS.map((each) => [each, word(`bearing_${each}`)]), common.bearing,
          (value) => { common.bearing = value; })),
      el("h2", {}, word("sheet_maker")),
      text("torque", "180 N m", common), limit("runout"), limit("endplay"),
      text("source", word("limit_source_hint"), common),
      el("h2", {}, word("sheet_part")),
      text("new_part", "", common), text("new_lot", "", common),
      el("button", { class: "deed", type: "submit" }, word("job_open"))),
  ];
}

function field(name, input) {
  return el("label", { class: "field" }, el("span", {}, name), input);
}

// Wheel ends as the vehicle is seen from above; several may be taken.
function manyWheels(taken) {
  return el("div", { class: "answers", role: "group", "aria-label": word("sheet_wheels") }, WHEELS.map((wheel) =>
    el("button", {
      type: "button", class: "answer", "aria-pressed": String(taken.has(wheel)), "data-wheel": wheel,
      onclick: (event) => {
        const on = !taken.delete(wheel);
        if (on) taken.add(wheel);
        event.currentTarget.setAttribute("aria-pressed", String(on));
      },
    }, el("b", {}, word(`wheel_${wheel}`)))));
}
