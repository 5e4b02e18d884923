// Sentences of the analysis in German, by the phrase book of the claim pack: {} stands for a part, {n} for a
// figure, {0}, {1} for the same in the other language. Works as analysis/claim/phrases.py does.

const GAP = /\{n?\}/;
const NUMBER = /^[-+\d.,%; ]+$/;
const DEEPEST = 4;

const tableOf = (phrases) => phrases.map(([english, german]) => [patternOf(english), german]);

export function withBook(phrases) {
  const book = tableOf(phrases);
  return (text) => translated(text, book);
}

// Of a refusal, or of what is wrong with a link: "where: what; what to do", each part by itself.
export function withTrouble(phrases, path) {
  const book = tableOf(Object.entries({ ...phrases, ...path }));
  const behind = (text) => {
    const [where, ...what] = text.split(": ");
    const german = what.length ? translated(what.join(": "), book) ?? behind(what.join(": ")) : undefined;
    return german && `${translated(where, book) ?? where}: ${german}`;
  };
  return (line) => {
    const parts = line.split("; ").map((text, i) => translated(text, book) ?? (i ? undefined : behind(text)));
    return parts.includes(undefined) ? undefined : parts.join("; ");
  };
}

const plain = (text) => text.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");

function patternOf(english) {
  const gaps = english.match(/\{n?\}/g) ?? [];
  const parts = english.split(GAP).map((piece, i) => plain(piece) + (i < gaps.length ? gap(gaps[i]) : ""));
  return new RegExp(`^${parts.join("")}$`, "s");
}

const gap = (sign) => (sign === "{n}" ? "([-+\\d.,%; ]+)" : "(.+?)");

// Undefined when the book does not have it.
function translated(text, book, depth = 0) {
  if (depth > DEEPEST) return undefined;
  for (const [pattern, german] of book) {
    const match = pattern.exec(text);
    if (match) return german.replace(/\{(\d)\}/g, (_, i) => part(match[Number(i) + 1], book, depth));
  }
  return undefined;
}

function part(text, book, depth) {
  if (NUMBER.test(text)) return text.replace(/(\d)\.(?=\d)/g, "$1,");
  return translated(text, book, depth + 1) ?? text;
}
