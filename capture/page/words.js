// The page's words in the language of the technician. The station's own sentences are English; those that
// this page knows are put into the other language, any other is shown as it came.

const LANGUAGES = ["en", "de"];
let words = {};
let patterns = [];
export let language = "en";

export async function loadWords(wanted) {
  language = wanted;
  const answer = await fetch(`/page/words/${wanted}.json`);
  words = await answer.json();
  patterns = words.say_patterns.map(([from, to]) => [new RegExp(from), to]);
  document.documentElement.lang = wanted;
  for (const each of document.querySelectorAll("[data-word]")) each.textContent = word(each.dataset.word);
  for (const each of document.querySelectorAll("[data-label]")) each.setAttribute("aria-label", word(each.dataset.label));
}

export function firstLanguage() {
  const kept = localStorage.getItem("language");
  if (LANGUAGES.includes(kept)) return kept;
  const asked = navigator.languages.map((each) => each.slice(0, 2));
  return asked.find((each) => LANGUAGES.includes(each)) ?? "en";
}

export function otherLanguage() {
  return LANGUAGES[(LANGUAGES.indexOf(language) + 1) % LANGUAGES.length];
}

export function word(key, values = {}) {
  const text = words[key] ?? key;
  return text.replace(/\{(\w+)\}/g, (_, name) => values[name]);
}

export function said(sentence) {
  for (const [from, to] of patterns) if (from.test(sentence)) return sentence.replace(from, to);
  return sentence;
}

export function decimal(number, digits) {
  return number.toFixed(digits).replace(".", word("decimal")).replace("-", "\u2212");
}
