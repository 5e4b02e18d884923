// One question over the page, with large answers. Escape and "cancel" leave everything as it was.

import { by, el } from "./dom.js";
import { word } from "./words.js";

export function openSheet(title, ...content) {
  const sheet = by("sheet");
  sheet.replaceChildren(
    el("form", { method: "dialog", class: "sheet", onsubmit: (event) => { // enter does what the large key does
      event.preventDefault();
      sheet.querySelector(".deed")?.click();
    } },
      el("h2", { id: "sheet-title", tabindex: "-1" }, title),
      ...content,
      el("p", { class: "problem", id: "sheet-trouble", role: "alert" }),
      el("button", { class: "quiet", value: "cancel", type: "button", onclick: () => sheet.close() }, word("cancel"))),
  );
  sheet.setAttribute("aria-labelledby", "sheet-title");
  if (!sheet.open) sheet.showModal();
  by("sheet-title").focus();
}

export const closeSheet = () => by("sheet").close();

// Large answers of which one is taken: radio buttons that look like keys.
export function answers(name, options, chosen, onPick) {
  return el("div", { class: "answers", role: "radiogroup", "aria-label": name },
    options.map(([value, text, hint]) =>
      el("button", {
        type: "button", role: "radio", class: "answer", "aria-checked": String(value === chosen),
        onclick: (event) => {
          for (const each of event.currentTarget.parentElement.children) {
            each.setAttribute("aria-checked", String(each === event.currentTarget));
          }
          onPick(value);
        },
      }, el("b", {}, text), hint ? el("span", {}, hint) : null)));
}
