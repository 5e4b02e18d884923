// Who stands at the bench: asked once, remembered on this device, written beside everything recorded.

import { el } from "./dom.js";
import { closeSheet, openSheet } from "./sheet.js";
import { word } from "./words.js";

const KEPT = "technician";

export const technician = () => localStorage.getItem(KEPT) ?? "";

export function askTechnician(then) {
  const name = el("input", { value: technician(), maxlength: 200, autocomplete: "name", required: true, "aria-label": word("technician") });
  const take = () => {
    if (!name.value.trim()) return name.focus();
    localStorage.setItem(KEPT, name.value.trim());
    closeSheet();
    return then();
  };
  openSheet(word("technician_title"), name, el("button", { type: "button", class: "deed", onclick: take }, word("choice_done")));
  name.focus();
}

// Does `work` now, or as soon as somebody has said who does it.
export const asTechnician = (work) => (technician() ? work() : askTechnician(work));
