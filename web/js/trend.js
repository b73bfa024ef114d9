// The trend of one measure over a day's takes: a small chart with axes, limits and a place to tap.

import { h, s } from "./dom.js";
import { counted } from "./paths.js";

/** @import { KeptTake, TakeMeasure } from "./wire-types.js" */

const [W, H, LEFT, RIGHT, TOP, FOOT] = [324, 178, 40, 10, 20, 36];

/**
 * Round numbers from at or below `low` to at or above `high`.
 * @param {number} low
 * @param {number} high
 * @param {number} [most]
 */
export function ticks(low, high, most = 4) {
  const span = high - low || Math.abs(high) || 1;
  const rough = span / most;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = ([1, 2, 5, 10].find((k) => power * k >= rough * 0.999) ?? 10) * power;
  const first = Math.floor(low / step + 1e-9);
  const last = Math.max(Math.ceil(high / step - 1e-9), first + 1);
  return Array.from({ length: last - first + 1 }, (_, i) => Number(((first + i) * step).toPrecision(12)));
}

/** Three digits at most, a real minus sign. @param {number} v */
export const short = (v) => String(Number(v.toPrecision(3))).replace("-", "\u2212");

/** @param {number} x @param {number} y @param {string} text @param {string} anchor @param {string} [kind] */
function word(x, y, text, anchor, kind = "word") {
  const node = s("text", { x, y, "text-anchor": anchor, class: kind });
  node.textContent = text;
  return node;
}

/**
 * @param {TakeMeasure} measure
 * @param {KeptTake[]} takes in order
 * @param {number | null} picked a take's number
 * @param {(take: number) => void} onpick
 */
export function trendChart(measure, takes, picked, onpick) {
  const values = takes.map((t) => t.values[measure.name] ?? null);
  const known = values.filter((v) => v !== null);
  if (!known.length)
    return h("p", { class: "help", text: "No take of this day has a value for this measure." });
  const limits = limitsOf(measure, known);
  const all = [...known, ...limits.map((l) => l.at)];
  const marks = ticks(Math.min(...all), Math.max(...all));
  const [low, high] = [marks[0], marks[marks.length - 1]];
  const y = (/** @type {number} */ v) => TOP + ((H - TOP - FOOT) * (high - v)) / (high - low);
  const x = (/** @type {number} */ n) =>
    takes.length === 1
      ? (LEFT + W - RIGHT) / 2
      : LEFT + 10 + ((W - LEFT - RIGHT - 20) * n) / (takes.length - 1);
  const unit = measure.unit ? ` ${measure.unit}` : "";
  const span = `from ${short(Math.min(...known))} to ${short(Math.max(...known))}${unit}`;
  const said = `${measure.title} over ${counted(takes.length, "take")}, ${span}`;
  const node = s("svg", { viewBox: `0 0 ${W} ${H}`, class: "trend", role: "img", "aria-label": said });
  node.append(...axes(marks, takes, x, y), ...limitLines(limits, [known[0], known[known.length - 1]], y));
  node.append(s("path", { d: path(values, x, y), class: "run" }));
  values.forEach((v, n) => {
    const here = takes[n].id === picked;
    if (v !== null)
      node.append(s("circle", { cx: x(n), cy: y(v), r: here ? 5.5 : 3.5, class: here ? "dot here" : "dot" }));
  });
  node.addEventListener("click", (e) => {
    const r = node.getBoundingClientRect();
    const at = ((e.clientX - r.left) / r.width) * W;
    const nearest = takes.map((t, n) => [Math.abs(x(n) - at), t.id]).sort((a, b) => a[0] - b[0])[0];
    onpick(nearest[1]);
  });
  return node;
}

/** @typedef {(v: number) => number} Place */

/** @param {number} at */
const level = (at) => ({ x1: LEFT, x2: W - RIGHT, y1: at, y2: at });

/** @param {number[]} marks @param {KeptTake[]} takes @param {Place} x @param {Place} y */
function axes(marks, takes, x, y) {
  return [
    ...marks.flatMap((mark) => [
      s("line", { ...level(y(mark)), class: "grid" }),
      word(LEFT - 6, y(mark) + 4, short(mark), "end"),
    ]),
    ...named(takes).map((n) => word(x(n), H - FOOT + 16, String(takes[n].id), "middle")),
    word((LEFT + W - RIGHT) / 2, H - 4, "take", "middle"),
  ];
}

/**
 * The words stand at the end of the limit's line that is further from the values.
 * @param {Limit[]} limits
 * @param {number[]} ends the first and the last value
 * @param {Place} y
 */
function limitLines(limits, ends, y) {
  return limits.flatMap((limit) => {
    const [first, last] = ends.map((end) => Math.abs(y(end) - y(limit.at) + 9));
    const text = `${limit.word} ${short(limit.at)}`;
    const [at, anchor] = first > last ? [LEFT + 2, "start"] : [W - RIGHT, "end"];
    const said = word(at, y(limit.at) - 5, text, anchor, "limitword");
    return [s("line", { ...level(y(limit.at)), class: "limit" }), said];
  });
}

/** @typedef {{at: number, word: string}} Limit */

/**
 * The limit for work always; the one for relighting only where values come near it.
 * @param {TakeMeasure} measure
 * @param {number[]} known
 */
function limitsOf(measure, known) {
  const { work, relight, rising } = measure;
  const limits = [{ at: work, word: "work from" }];
  const worst = rising ? Math.max(...known) : Math.min(...known);
  const near =
    relight !== null && (rising ? worst > work + (relight - work) / 2 : worst < work + (relight - work) / 2);
  if (relight !== null && near) limits.push({ at: relight, word: "relight from" });
  return limits;
}

/**
 * Which takes are named along the axis: as many as fit, the first and the last among them.
 * @param {{id: number}[]} takes
 */
function named(takes) {
  const last = takes.length - 1;
  const room = Math.floor((W - LEFT - RIGHT) / (String(takes[last].id).length * 7 + 10));
  const every = Math.max(1, Math.ceil(last / Math.max(1, room - 1)));
  return [...takes.keys()].filter((n) => n === last || (n % every === 0 && last - n >= every));
}

/** @param {(number | null)[]} values @param {(n: number) => number} x @param {(v: number) => number} y */
function path(values, x, y) {
  let pen = "M";
  return values
    .map((v, n) => {
      if (v === null) {
        pen = "M";
        return "";
      }
      const part = `${pen}${x(n).toFixed(1)} ${y(v).toFixed(1)}`;
      pen = "L";
      return part;
    })
    .join("");
}
