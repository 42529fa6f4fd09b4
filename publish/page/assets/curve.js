// Force-time curves: the force above, the pressure below it over the same time.

import { forceText, forceUnit, forceValue, pressureUnit, pressureValue } from "./figures.js";

// A line is broken where nothing was seen for this many seconds.
const unseen = 1.2;

// drawCurve draws points of [seconds, least N, greatest N, Pa] from one time to
// another; required and limit are null where there is none. Times are marked
// from the origin on, and called what timeText makes of them.
export function drawCurve(canvas, { points, from, to, origin = 0, required = null, limit = null, least = 1, timeText }) {
  const g = prepare(canvas);
  if (!g) return;
  const shown = points.filter((p) => p[0] >= from - 1 && p[0] <= to + 1);
  const pressed = shown.some((p) => p[3] !== null);
  const gap = g.em * 1.4;
  const below = g.height - gap;
  const split = pressed ? Math.round(below * 0.72) : below;
  const x = (t) => g.left + ((t - from) / (to - from)) * (g.width - g.left - 2);
  drawTimes(g, x, { from, to, origin, below, timeText });
  const top = Math.max(least, ...shown.map((p) => p[2] ?? 0), (required ?? 0) * 1.06, (limit ?? 0) * 1.04) * 1.06;
  const bottom = Math.min(0, ...shown.map((p) => p[1] ?? 0));
  const lane = { y0: split - 2, y1: g.em * 1.7, low: forceValue(bottom), high: forceValue(top) };
  drawScale(g, lane, `force, ${forceUnit()}`);
  drawRange(g, shown.map((p) => [x(p[0]), p[1] === null ? null : forceValue(p[1]), forceValue(p[2]), p[0]]), lane, g.colour("--curve-force"));
  drawLevel(g, lane, limit, { name: "limit", colour: g.colour("--curve-limit"), dash: [2, 4], above: true });
  drawLevel(g, lane, required, { name: "required", colour: g.colour("--curve-required"), dash: [10, 5], above: false });
  if (!pressed) return;
  const most = Math.max(1, ...shown.map((p) => pressureValue(p[3] ?? 0))) * 1.1;
  const under = { y0: below - 2, y1: split + g.em * 2, low: 0, high: most };
  drawScale(g, under, `pressure, ${pressureUnit()}`, 2);
  const read = shown.filter((p) => p[3] !== null); // it is read less often than the force
  drawRange(g, read.map((p) => [x(p[0]), pressureValue(p[3]), pressureValue(p[3]), p[0]]), under, g.colour("--curve-pressure"));
}

// prepare sizes the canvas to the screen's own pixels and clears it; null while
// it is not shown.
function prepare(canvas) {
  const width = canvas.clientWidth;
  const height = canvas.clientHeight;
  if (width === 0 || height === 0) return null;
  const ratio = window.devicePixelRatio || 1;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const context = canvas.getContext("2d");
  const style = getComputedStyle(canvas);
  const em = parseFloat(getComputedStyle(document.documentElement).fontSize) * 0.9;
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  context.clearRect(0, 0, width, height);
  context.font = `${em}px ${style.fontFamily}`;
  context.lineJoin = "round";
  return { context, width, height, em, left: em * 4.2, colour: (name) => style.getPropertyValue(name).trim() };
}

const y = (lane, value) => lane.y0 - ((value - lane.low) / (lane.high - lane.low)) * (lane.y0 - lane.y1);

// niceStep is a step of 1, 2 or 5 times a power of ten.
function niceStep(range, most) {
  const raw = range / most;
  const power = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((n) => n * power).find((step) => step >= raw);
}

function drawScale(g, lane, title, most = 5) {
  const c = g.context;
  const step = niceStep(lane.high - lane.low, most);
  const decimals = Math.max(0, -Math.floor(Math.log10(step)));
  c.textBaseline = "middle";
  c.textAlign = "right";
  for (let n = Math.ceil(lane.low / step); n * step <= lane.high; n++) {
    const at = y(lane, n * step);
    c.strokeStyle = g.colour("--rule");
    c.lineWidth = 1;
    stroke(c, [[g.left, at], [g.width, at]]);
    c.fillStyle = g.colour("--soft");
    c.fillText((n * step).toFixed(decimals), g.left - 6, at);
  }
  c.textAlign = "left";
  c.textBaseline = "alphabetic";
  c.fillStyle = g.colour("--soft");
  c.fillText(title, 0, lane.y1 - g.em * 0.7);
}

function drawTimes(g, x, { from, to, origin, below, timeText }) {
  const c = g.context;
  const step = niceStep(to - from, Math.max(2, Math.floor(g.width / (g.em * 8))));
  c.textBaseline = "alphabetic";
  c.textAlign = "center";
  c.fillStyle = g.colour("--soft");
  for (let n = Math.ceil((from - origin) / step); origin + n * step <= to; n++) {
    const text = timeText(n * step);
    const half = c.measureText(text).width / 2;
    c.fillText(text, Math.min(Math.max(x(origin + n * step), g.left + half), g.width - half), below + g.em * 1.2);
  }
}

// drawRange draws a line that is as thick as the range of each of its points.
function drawRange(g, points, lane, colour) {
  const c = g.context;
  c.strokeStyle = colour;
  c.lineWidth = 2.25;
  let line = [];
  let last = null;
  const end = () => { if (line.length > 0) stroke(c, line); line = []; };
  for (const [x, low, high, t] of points) {
    if (low === null || (last !== null && t - last > unseen)) end();
    last = t;
    if (low === null) continue;
    const rising = line.length === 0 || line[line.length - 1][1] >= y(lane, low);
    line.push(...(rising ? [[x, y(lane, low)], [x, y(lane, high)]] : [[x, y(lane, high)], [x, y(lane, low)]]));
  }
  end();
}

// drawLevel draws a level with its name, above the line or below.
function drawLevel(g, lane, newtons, { name, colour, dash, above }) {
  if (newtons === null) return;
  const c = g.context;
  const at = y(lane, forceValue(newtons));
  const text = `${name} ${forceText(newtons)}`;
  c.strokeStyle = colour;
  c.lineWidth = 2.25;
  c.setLineDash(dash);
  stroke(c, [[g.left, at], [g.width, at]]);
  c.setLineDash([]);
  c.textAlign = "left";
  c.textBaseline = "middle";
  const middle = at + (above ? -0.8 : 0.8) * g.em;
  c.fillStyle = g.colour("--panel");
  c.fillRect(g.left + 6, middle - g.em * 0.6, c.measureText(text).width + 8, g.em * 1.2);
  c.fillStyle = colour;
  c.fillText(text, g.left + 10, middle);
}

function stroke(c, points) {
  c.beginPath();
  points.forEach(([px, py], i) => (i === 0 ? c.moveTo(px, py) : c.lineTo(px, py)));
  c.stroke();
}
