// The page's words in the language of the technician. The station's own sentences are English; those that
// this page knows are put into the other language, any other is shown as it came.

const LANGUAGES = ["en", "de"];
let words = {};
let patterns = [];
let path = {};
let translated = () => undefined;
let troubled = () => undefined;
export let language = "en";

export async function loadWords(wanted) {
  words = await fetched(wanted);
  path = wanted === "en" ? {} : await fetched(`path.${wanted}`); // the shipped path of steps is in English
  if (wanted !== "en") {
    const book = await import("./book.js"); // not for English
    translated = book.withBook(await fetched(`book.${wanted}`));
    troubled = book.withTrouble(await fetched(`trouble.${wanted}`), path);
  }
  language = wanted;
  patterns = words.say_patterns.map(([from, to]) => [new RegExp(from), to]);
  document.documentElement.lang = wanted;
  for (const each of document.querySelectorAll("[data-word]")) each.textContent = word(each.dataset.word);
  for (const each of document.querySelectorAll("[data-label]")) each.setAttribute("aria-label", word(each.dataset.label));
}

const fetched = async (name) => (await fetch(`/page/words/${name}.json`)).json();

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

// A word of the record (a verdict, a wheel, an answer of the path) in the language of the page, else as it is.
export const worded = (kind, text) => words[`${kind}_${text}`] ?? text;

export function said(sentence) {
  for (const [from, to] of patterns) if (from.test(sentence)) return sentence.replace(from, to);
  return sentence;
}

// A sentence of the analysis as [text, its language]: English, and marked as such, where nobody put it into another.
export function sentence(text) {
  const found = language === "en" ? text : (translated(text) ?? path[text]);
  return found === undefined ? [text, "en"] : [found, language];
}

// The same for a refusal, and for what is wrong with a link; the page's own words are in its language already.
let asked = [];

export function trouble(text) {
  if (asked[0] !== text || asked[1] !== language) asked = [text, language, troubleIn(text)]; // in every frame the same
  return asked[2];
}

function troubleIn(text) {
  if (!text || language === "en" || Object.values(words).includes(text) || Object.values(path).includes(text)) return [text, language];
  const found = troubled(text);
  return found === undefined ? [text, "en"] : [found, language];
}

export function decimal(number, digits) {
  return number.toFixed(digits).replace(".", word("decimal")).replace("-", "\u2212");
}

// A sentence of the shipped path of steps in the language of the page; a workshop's own is shown as it is.
export const told = (text) => path[text] ?? text;

// A time of the record, as people write it where they are.
export function when(utc) {
  const here = navigator.language.startsWith(language) ? navigator.language : language;
  return new Date(utc).toLocaleString(here, { dateStyle: "medium", timeStyle: "short" });
}
