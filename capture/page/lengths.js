// Lengths are whole nanometres until they are shown, with the digits that the indicator's step justifies.

import { decimal } from "./words.js";

const NM_PER = { mm: 1e6, in: 25.4e6 };

export function digitsFor(unit, stepNm) {
  const step = stepNm / NM_PER[unit];
  // a step of 0.0005 needs the fourth digit; the small addend keeps 0.001 from counting as 0.000999...
  return Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
}

export function lengthNumber(lengthNm, unit, stepNm) {
  return decimal(lengthNm / NM_PER[unit], digitsFor(unit, stepNm));
}

export function showLength(lengthNm, unit, stepNm) {
  return `${lengthNumber(lengthNm, unit, stepNm)} ${unit}`;
}

// A figure of a result, in mm: one digit finer than the step, because it comes from many readings.
export function showFigure(lengthMm, unit, stepNm) {
  return lengthMm === null ? "–" : showLength(lengthMm * 1e6, unit, stepNm / 10);
}
