// A device of the workshop's network that the station does not know yet: it takes the code shown at the bench.

import { by, el, renew, setIn } from "./dom.js";
import { state, told } from "./state.js";
import { pair } from "./station.js";
import { language, trouble, word } from "./words.js";

export function drawPair() {
  renew(by("room-pair"), language, () => [
    el("form", { class: "pair", onsubmit: submit },
      el("h1", {}, word("pair_title")),
      el("p", {}, word("pair_hint")),
      el("label", { class: "field" }, el("span", {}, word("pair_code")),
        el("input", { id: "pair-code", "data-written": "pair-code", class: "number", autocomplete: "one-time-code", autocapitalize: "characters", maxlength: 20, required: true })),
      el("label", { class: "field" }, el("span", {}, word("pair_device")),
        el("input", { id: "pair-device", "data-written": "pair-device", maxlength: 60, value: word("pair_this_device") })),
      el("p", { class: "problem", id: "pair-trouble", role: "alert" }),
      el("button", { class: "deed", type: "submit" }, word("pair_go"))),
  ]);
  setIn(by("pair-trouble"), trouble(state.trouble));
}

function submit(event) {
  event.preventDefault();
  told(async () => {
    await pair(by("pair-code").value.trim(), by("pair-device").value.trim());
    location.reload(); // with its token everything begins anew
  });
}
