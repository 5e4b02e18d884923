// The few things that every drawing needs.

const SVG = "http://www.w3.org/2000/svg";

export function node(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

export const px = (value) => value.toFixed(1);

// An SVG whose units are the pixels of its own box; returns [width, height].
export function fit(svg) {
  const { clientWidth: width, clientHeight: height } = svg;
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  return [width, height];
}
