// Sentences of the analysis in German, by the phrase book of the claim pack: {} stands for a part, {n} for a
// figure, {0}, {1} for the same in the other language. Works as analysis/claim/phrases.py does.

const GAP = /\{n?\}/;
const NUMBER = /^[-+\d.,%; ]+$/;
const DEEPEST = 4;
let book = [];

export function withBook(phrases) {
  book = phrases.map(([english, german]) => [patternOf(english), german]);
  return translated;
}

const plain = (text) => text.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");

function patternOf(english) {
  const gaps = english.match(/\{n?\}/g) ?? [];
  const parts = english.split(GAP).map((piece, i) => plain(piece) + (i < gaps.length ? gap(gaps[i]) : ""));
  return new RegExp(`^${parts.join("")}$`, "s");
}

const gap = (sign) => (sign === "{n}" ? "([-+\\d.,%; ]+)" : "(.+?)");

// Undefined when the book does not have it.
function translated(text, depth = 0) {
  if (depth > DEEPEST) return undefined;
  for (const [pattern, german] of book) {
    const match = pattern.exec(text);
    if (match) return german.replace(/\{(\d)\}/g, (_, i) => part(match[Number(i) + 1], depth));
  }
  return undefined;
}

function part(text, depth) {
  if (NUMBER.test(text)) return text.replace(/(?<=\d)\.(?=\d)/g, ",");
  return translated(text, depth + 1) ?? text;
}
