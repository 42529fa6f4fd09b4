// Figures as people see them. Forces come in newtons with at most three
// decimals; they are rounded exactly, half away from zero, as the daemon rounds
// them on paper, so that no two places show different last digits.

let force = { unit: "N", decimals: 0, size: scale("1") };
let pressure = { unit: "Pa", decimals: 0, size: scale("1") };

// scale reads an exact decimal as a fraction of integers.
function scale(text) {
  const [whole, fraction = ""] = text.split(".");
  return { num: BigInt(whole + fraction), den: 10n ** BigInt(fraction.length) };
}

export function useUnits(setup) {
  force = { ...setup.force, size: scale(setup.force.size) };
  pressure = { ...setup.pressure, size: scale(setup.pressure.size) };
}

export const forceUnit = () => force.unit;

// inUnit returns value / unit size with so many decimals. The value counts in
// steps of 1/perUnit. It is rounded half away from zero, or up in size.
function inUnit(value, perUnit, unit, up = false) {
  const steps = BigInt(Math.round(value * Number(perUnit)));
  const top = steps * unit.size.den * 10n ** BigInt(unit.decimals);
  const bottom = perUnit * unit.size.num;
  const size = top < 0n ? -top : top;
  const rounded = up ? (size + bottom - 1n) / bottom : (2n * size + bottom) / (2n * bottom);
  let digits = rounded.toString().padStart(unit.decimals + 1, "0");
  if (unit.decimals > 0) digits = `${digits.slice(0, -unit.decimals)}.${digits.slice(-unit.decimals)}`;
  return top < 0n && rounded > 0n ? `-${digits}` : digits;
}

// What is not known is an empty text.
const known = (value) => value !== null && value !== undefined;

export const forceNumber = (newtons) => (known(newtons) ? inUnit(newtons, 1000n, force) : "");
export const forceText = (newtons) => (known(newtons) ? `${forceNumber(newtons)} ${force.unit}` : "");
// withUncertainty shows a force and its expanded uncertainty, rounded up so that it
// is never shown smaller than it is.
export function withUncertainty(newtons, budget) {
  if (!known(newtons)) return "";
  if (!known(budget)) return forceText(newtons);
  return `${forceNumber(newtons)} ± ${inUnit(budget.expanded_newtons, 1000n, force, true)} ${force.unit}`;
}

// percentText shows a part in per cent, with its sign where that matters.
export function percentText(percent, signed = false) {
  if (!known(percent)) return "";
  const text = percent.toFixed(2);
  return `${signed && percent > 0 ? "+" : ""}${text === "-0.00" ? "0.00" : text} %`;
}

export const pressureNumber = (pascals) => (known(pascals) ? inUnit(pascals, 1n, pressure) : "");
export const pressureText = (pascals) => (known(pascals) ? `${pressureNumber(pascals)} ${pressure.unit}` : "");

// forceValue and pressureValue are for drawing, where rounding does not matter.
export const forceValue = (newtons) => newtons * Number(force.size.den) / Number(force.size.num);
export const pressureValue = (pascals) => pascals * Number(pressure.size.den) / Number(pressure.size.num);
export const pressureUnit = () => pressure.unit;

// secondsText shows a time that has passed, rounded down: a hold is never shown
// longer than it was.
export function secondsText(seconds) {
  if (!known(seconds)) return "";
  return `${(Math.floor(seconds * 10 + 1e-6) / 10).toFixed(1)} s`;
}

// leftText shows a time that is left, rounded up.
export const leftText = (seconds) => `${(Math.ceil(seconds * 10 - 1e-6) / 10).toFixed(1)} s`;

// wholeText shows a time that was asked for, as it was said.
export const wholeText = (seconds) => (known(seconds) ? `${seconds} s` : "");

// dateOf reads a time as events have it; the digits below the millisecond are
// cut off.
export const dateOf = (stamp) => new Date(stamp.replace(/(\.\d{3})\d+/, "$1"));

const two = (n) => String(n).padStart(2, "0");

// dayText shows the day of a time on this screen's clock.
export function dayText(stamp) {
  const date = dateOf(stamp);
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}`;
}

// timeText shows a time on this screen's clock, to the second only today.
export function timeText(stamp) {
  const date = dateOf(stamp);
  const time = `${two(date.getHours())}:${two(date.getMinutes())}`;
  if (date.toDateString() === new Date().toDateString()) return `${time}:${two(date.getSeconds())}`;
  return `${dayText(stamp)} ${time}`;
}
