// A value band over the histogram of its channel: one strip says where it starts, one where it
// ends. A strip's block is the soft part; drag the block to move it, its sides to soften it.

import { h, toggle } from "./dom.js";
import { change, concerns, newGesture, setOp } from "./edits.js";
import { numberBox } from "./controls.js";
import { at, withNumber } from "./keys.js";
import { figure, getAt } from "./paths.js";
import { fitCanvas, ticks } from "./scope-draw.js";
import { KEY_STEPS } from "./slider.js";
import { frameShown, operator, perFrame, state } from "./store.js";
import { wantScope } from "./scopes.js";

/** @import { Histogram, ValueBand } from "./wire-types.js" */

const ENDS = /** @type {const} */ ({
  starts: { outer: "low_out", inner: "low_in", word: "Starts", open: "takes everything below" },
  ends: { outer: "high_in", inner: "high_out", word: "Ends", open: "takes everything above" },
});
const EDGES = /** @type {const} */ (["low_out", "low_in", "high_in", "high_out"]);

/** @typedef {keyof typeof ENDS} End */
/** @typedef {(typeof EDGES)[number]} Edge */
/** @typedef {{moving?: boolean, gesture?: string}} How */

/** ACEScct of a scene-linear value. Source: S-2016-001. @param {number} v */
export const acescct = (v) =>
  v <= 0.0078125 ? 10.5402377416545 * v + 0.0729055341958355 : (Math.log2(v) + 9.72) / 17.52;

/** The band of an extractor: its numbers, the range that is seen, and how they are changed. */
class Band {
  /** @param {string[]} path */
  constructor(path) {
    this.path = path;
    this.range = [0, 1];
    /** @type {Histogram | null} */
    this.histogram = null;
  }

  /** @returns {ValueBand} */
  get item() {
    return getAt(state.recipe, this.path);
  }

  /** @param {Edge} key */
  value(key) {
    return at(this.item?.[key], frameShown());
  }

  /** From scene-linear to the values of the band. @param {number} v */
  scaled(v) {
    return this.item?.space === "log" ? acescct(v) : v;
  }

  /** @param {number} v */
  toShare(v) {
    return (v - this.range[0]) / (this.range[1] - this.range[0]);
  }

  /** @param {number} t */
  fromShare(t) {
    return this.range[0] + t * (this.range[1] - this.range[0]);
  }

  /** As far as the frame's values go, and as far as the band does. */
  measure() {
    const seen = this.histogram;
    const found = seen ? [this.scaled(seen.low), this.scaled(seen.high)] : [0, 1];
    const set = EDGES.map((key) => this.value(key)).filter((v) => v !== null);
    const [lo, hi] = [Math.min(found[0], ...set), Math.max(found[1], ...set)];
    this.range = [lo - (hi - lo) * 0.02, hi + (hi - lo) * 0.02];
  }

  /**
   * Set both numbers of an end, kept in order with the other end.
   * @param {End} end
   * @param {number} a
   * @param {number} b
   * @param {How} how
   */
  put(end, a, b, how) {
    const { outer, inner, word } = ENDS[end];
    const [low, high] = [Math.min(a, b), Math.max(a, b)];
    const most = this.value("high_in") ?? Infinity;
    const least = this.value("low_in") ?? -Infinity;
    const kept = (/** @type {number} */ v) => (end === "starts" ? Math.min(v, most) : Math.max(v, least));
    const number = (/** @type {Edge} */ key, /** @type {number} */ v) =>
      withNumber(this.item[key] ?? 0, frameShown(), Number(kept(v).toFixed(5)));
    const op = (/** @type {Edge} */ key, /** @type {number} */ v) =>
      setOp([...this.path, key], number(key, v));
    change([op(outer, low), op(inner, high)], { label: `${this.item.name}: ${word.toLowerCase()}`, ...how });
  }

  /** Let an end go, or set it where it can be seen. @param {End} end @param {boolean} on */
  open(end, on) {
    if (!on) {
      const t = end === "starts" ? 0.05 : 0.9;
      return this.put(end, this.fromShare(t), this.fromShare(t + 0.05), {});
    }
    const { outer, inner, word } = ENDS[end];
    const ops = [outer, inner].map((key) => setOp([...this.path, key], null));
    change(ops, { label: `${this.item.name}: ${word.toLowerCase()} open` });
  }

  /** The band's matte for a value. @param {number} v */
  coverage(v) {
    const ramp = (/** @type {number | null} */ a, /** @type {number | null} */ b) => {
      if (a === null || b === null) return null;
      return b > a ? Math.min(1, Math.max(0, (v - a) / (b - a))) : Number(v >= b);
    };
    const up = ramp(this.value("low_out"), this.value("low_in")) ?? 1;
    const down = ramp(this.value("high_in"), this.value("high_out")) ?? 0;
    return Math.min(up, 1 - down);
  }
}

/** @param {string[]} path of the extractor */
export function valueBand(path) {
  const band = new Band(path);
  const canvas = h("canvas", {
    role: "img",
    "aria-label": "Histogram of the channel; what the band takes is bright",
  });
  const node = h("div", { class: "band" }, canvas);
  const strips = [strip(band, "starts"), strip(band, "ends")];
  for (const s of strips) node.append(s.head, s.node);
  const draw = perFrame(() => drawBand(canvas, band));

  function refresh() {
    if (!band.item) return;
    band.measure();
    strips.forEach((s) => s.show());
    draw();
  }
  const stop = wantScope("histogram", (scope) => {
    band.histogram = scope.histogram;
    refresh();
    if (!node.isConnected) stop();
  });
  new ResizeObserver(draw).observe(node);
  refresh();
  return {
    node,
    stop,
    tick: refresh,
    refresh: (/** @type {string[][] | undefined} */ changed) => {
      if (concerns(changed, path)) refresh();
    },
  };
}

/** One end of the band: numbers, and a bar with the soft part. @param {Band} band @param {End} end */
function strip(band, end) {
  const { outer, inner, word, open } = ENDS[end];
  const part = (/** @type {string} */ kind, /** @type {string} */ label) =>
    h("div", { class: kind, role: "slider", tabIndex: 0, "aria-label": label });
  const soft = part("soft", `${word} at`);
  const left = part("pull lower", `${word}: lower side of the soft part`);
  const right = part("pull", `${word}: upper side of the soft part`);
  const text = h("span", { class: "word" });
  const bar = h("div", { class: "strip", dataset: { end } }, soft, left, right, text);
  const free = { step: 0.001, low: -1e6, high: 1e6 };
  const lower = numberBox(`${word}, lower value`, free, (v) => band.put(end, v, band.value(inner) ?? v, {}));
  const upper = numberBox(`${word}, upper value`, free, (v) => band.put(end, band.value(outer) ?? v, v, {}));
  const onflip = (/** @type {boolean} */ on) => band.open(end, on);
  const isOpen = toggle({ label: `${word}: open`, text: "Open", value: false, onflip });
  const title = h("span", { class: "name grow", text: word });
  const head = h("div", { class: "striphead" }, title, lower, upper, isOpen);
  drag(band, end, bar, soft, [1, 1]);
  drag(band, end, bar, left, [1, 0]);
  drag(band, end, bar, right, [0, 1]);

  function show() {
    const [a, b] = [band.value(outer), band.value(inner)];
    const closed = a !== null && b !== null;
    isOpen.show(!closed);
    bar.classList.toggle("open", !closed);
    text.textContent = closed ? "" : open;
    for (const n of [soft, left, right, lower, upper]) n.hidden = !closed;
    lower.show(a);
    upper.show(b);
    if (!closed) return;
    const [p, q] = [band.toShare(a), band.toShare(b)];
    soft.style.left = left.style.left = `${p * 100}%`;
    soft.style.width = `${Math.max(0, q - p) * 100}%`;
    right.style.left = `${q * 100}%`;
    say(soft, (a + b) / 2, band.range);
    say(left, a, band.range);
    say(right, b, band.range);
  }
  return { node: bar, head, show };
}

/** @param {HTMLElement} node @param {number} value @param {number[]} range */
function say(node, value, [low, high]) {
  node.setAttribute("aria-valuenow", figure(value, 0.0001));
  node.setAttribute("aria-valuemin", figure(low, 0.0001));
  node.setAttribute("aria-valuemax", figure(high, 0.0001));
}

/**
 * Drag a part of a strip; `parts` says which of its two numbers go along.
 * @param {Band} band
 * @param {End} end
 * @param {HTMLElement} bar
 * @param {HTMLElement} target
 * @param {[0 | 1, 0 | 1]} parts
 */
function drag(band, end, bar, target, parts) {
  const { outer, inner } = ENDS[end];
  const now = () => ({ a: Number(band.value(outer)), b: Number(band.value(inner)) });
  const span = () => band.range[1] - band.range[0];
  let gesture = "";
  let from = { x: 0, a: 0, b: 0 };
  target.addEventListener("pointerdown", (e) => {
    if (!operator() || e.button !== 0) return;
    gesture = newGesture();
    from = { x: e.clientX, ...now() };
    target.setPointerCapture(e.pointerId);
    target.classList.add("dragging");
  });
  const go = (/** @type {PointerEvent} */ e, /** @type {boolean} */ moving) => {
    if (!target.hasPointerCapture(e.pointerId)) return;
    const d = ((e.clientX - from.x) / bar.clientWidth) * span() * (e.shiftKey ? 0.1 : 1);
    if (!moving && !d) return;
    const [a, b] = [from.a + d * parts[0], from.b + d * parts[1]];
    band.put(end, parts[1] ? a : Math.min(a, from.b), parts[0] ? b : Math.max(b, from.a), {
      moving,
      gesture,
    });
  };
  target.addEventListener("pointermove", (e) => go(e, true));
  target.addEventListener("pointerup", (e) => {
    go(e, false);
    target.classList.remove("dragging");
  });
  target.addEventListener("keydown", (e) => {
    const by = KEY_STEPS[e.key];
    if (!by || !operator()) return;
    e.preventDefault();
    const step = (by * span()) / 400;
    const { a, b } = now();
    band.put(end, a + step * parts[0], b + step * parts[1], {});
  });
}

/** @param {HTMLCanvasElement} canvas @param {Band} band */
function drawBand(canvas, band) {
  const { histogram, item } = band;
  const fit = histogram && fitCanvas(canvas);
  if (!fit || !item) return;
  const { c, w, h: tall, dpr } = fit;
  const counts = histogram.counts[item.channel] ?? [];
  const [from, to] = item.channel === "saturation" ? [0, 1] : [histogram.low, histogram.high];
  const valueOf = (/** @type {number} */ bin) => band.scaled(from + (bin / counts.length) * (to - from));
  const most = Math.log1p(counts.reduce((m, n) => Math.max(m, n), 1));
  c.font = `${11 * dpr}px system-ui, sans-serif`;
  for (const v of ticks(band.range[0], band.range[1])) {
    c.fillStyle = "#303030";
    c.fillRect(band.toShare(v) * w, 0, dpr, tall);
    c.fillStyle = "#a5a5a5";
    c.fillText(figure(v, 0.01), band.toShare(v) * w + 4 * dpr, tall - 5 * dpr);
  }
  counts.forEach((n, i) => {
    const [a, b] = [i, i + 1].map((bin) => band.toShare(valueOf(bin)) * w);
    const shade = Math.round(74 + 162 * band.coverage(valueOf(i + 0.5)));
    c.fillStyle = `rgb(${shade} ${shade} ${shade})`;
    const height = (Math.log1p(n) / most) * (tall - 22 * dpr);
    c.fillRect(a, tall - 18 * dpr - height, Math.max(dpr * 0.75, b - a), height);
  });
}
