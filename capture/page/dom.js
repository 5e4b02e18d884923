// The few things that every view needs: elements, SVG nodes, and text that is set only when it changes.

const SVG = "http://www.w3.org/2000/svg";

export const by = (id) => document.getElementById(id);

// An element with attributes and children; `onclick` and its like become listeners, `class` is written as in HTML.
export function el(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else made.setAttribute(key, value === true ? "" : value);
  }
  made.append(...children.flat().filter((each) => each !== null && each !== undefined && each !== false));
  return made;
}

// An element with a sentence as [text, its language].
export const told = (name, [text, lang], attributes = {}) => el(name, { ...attributes, lang }, text);

export function node(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

export const px = (value) => value.toFixed(1);

const sizes = new WeakMap();
const watch = new ResizeObserver((changes) => {
  for (const { target } of changes) sizes.delete(target);
});

// An SVG whose units are the pixels of its own box; returns [width, height]. The box is asked only when it has
// changed: to ask it in every frame makes the browser lay the page out twice.
export function fit(svg) {
  if (!sizes.get(svg)?.[0]) {
    const { clientWidth: width, clientHeight: height } = svg;
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    sizes.set(svg, [width, height]);
    watch.observe(svg);
  }
  return sizes.get(svg);
}

export function setIn(element, [text, lang]) {
  set(element, text);
  if (element.lang !== lang) element.lang = lang;
}

export function set(element, text) {
  if (element.textContent !== text) element.textContent = text; // unchanged text is not read out again
}

// What an element shows is made anew only when `key` changes. Who writes in it or stands on a key of it notices
// nothing, however late an answer comes: see `held`.
export function renew(element, key, make) {
  if (element.dataset.shown === key) return;
  element.dataset.shown = key;
  const put = held(element);
  element.replaceChildren(...make());
  put();
}

// What a person wrote in a field with `data-written`, until it was sent: outlives redraws and other views.
const written = new Map();
addEventListener("input", ({ target }) => target.dataset.written && written.set(target.dataset.written, target.value));
export const sent = (...names) => names.forEach((name) => written.delete(name));

const KEYS = "a, button, input, select, [tabindex]";
const nameOf = (each) => each.dataset.written || each.dataset.key || each.id || each.name || each.getAttribute("href");

// Takes what is written, the focus with its caret, and how far lists are moved, and puts them where they were.
function held(element) {
  const on = element.contains(document.activeElement) ? document.activeElement : null;
  const [focused, from, to] = on ? [nameOf(on), on.selectionStart, on.selectionEnd] : [];
  const moved = new Map([...element.querySelectorAll("[tabindex]")].map((each) => [nameOf(each), each.scrollTop]));
  return () => {
    for (const each of element.querySelectorAll(KEYS)) {
      const name = nameOf(each);
      if (written.has(name)) each.value = written.get(name);
      if (moved.get(name)) each.scrollTop = moved.get(name);
      if (!on || name !== focused) continue;
      each.focus({ preventScroll: true });
      if (typeof from === "number") each.setSelectionRange(from, to);
    }
  };
}
