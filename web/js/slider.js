// A slider that follows the ARIA keyboard pattern, drags by mouse and by touch, and resets on a
// double tap. By touch it moves relative to where the finger landed and leaves vertical swipes to
// the panel, so that scrolling never changes a value.

import { h } from "./dom.js";

/**
 * @typedef {object} SliderSpec
 * @property {string} label
 * @property {[number, number]} drag
 * @property {number} step
 * @property {number} [home]      value a double tap returns to
 * @property {string} [unit]
 * @property {number} [low]
 * @property {number} [high]
 * @property {(value: number, moving: boolean) => void} onchange
 * @property {() => void} [onreset]
 */

/**
 * What a pointer has hold of: where it landed, the share of the length and the value it began at.
 * @typedef {{id: number, x: number, share: number, before: number, touch: boolean, moved: boolean}} Grip
 */

const DOUBLE_TAP_MS = 350;
/** How far a key goes, in steps. @type {Record<string, number>} */
export const KEY_STEPS = {
  ArrowRight: 1,
  ArrowUp: 1,
  ArrowLeft: -1,
  ArrowDown: -1,
  PageUp: 10,
  PageDown: -10,
};

/** @param {number} share */
const within = (share) => Math.min(1, Math.max(0, share));

/** @param {SliderSpec} spec */
export function slider(spec) {
  const [lo, hi] = spec.drag;
  const home = spec.home ?? lo;
  const scale = scaleOf(spec);
  const { node, draw } = rail(spec, within(scale.toShare(home)));
  let value = home;
  let held = false;

  /** @param {number} v */
  function show(v) {
    value = v;
    draw(v, within(scale.toShare(v)));
  }
  /** @param {number} v @param {boolean} moving */
  function move(v, moving) {
    const next = scale.snap(v);
    if (next === value && moving) return;
    show(next);
    spec.onchange(next, moving);
  }
  /** @param {number} share @param {boolean} moving */
  const moveTo = (share, moving) => move(scale.fromShare(within(share)), moving);
  function reset() {
    if (spec.onreset) spec.onreset();
    else move(home, false);
  }
  const off = () => node.getAttribute("aria-disabled") === "true";
  byPointer(node, {
    off,
    share: () => scale.toShare(value),
    value: () => value,
    hold: (now) => (held = now),
    moveTo,
    back: (before) => move(before, false),
    rest: () => spec.onchange(value, false),
    reset,
  });
  node.addEventListener("keydown", (e) => {
    if (off()) return;
    const by = KEY_STEPS[e.key];
    if (by !== undefined && scale.log) moveTo(scale.toShare(value) + by * 0.02, false);
    else if (by !== undefined) {
      const next = scale.limit(Number((value + by * spec.step * (e.shiftKey ? 0.1 : 1)).toFixed(8)));
      show(next);
      spec.onchange(next, false);
    } else if (e.key === "Home") move(lo, false);
    else if (e.key === "End") move(hi, false);
    else if (e.key === "Delete" || e.key === "Backspace") reset();
    else return;
    e.preventDefault();
  });
  show(home);
  return Object.assign(node, { show: (/** @type {number} */ v) => (held ? undefined : show(v)) });
}

/** Values and shares of the length; far ranges above 0 go by factors. @param {SliderSpec} spec */
function scaleOf({ drag: [lo, hi], step, low = -Infinity, high = Infinity }) {
  const log = lo > 0 && hi / lo >= 1000;
  const limit = (/** @type {number} */ v) => Math.min(high, Math.max(low, v));
  return {
    log,
    limit,
    toShare: (/** @type {number} */ v) => (log ? Math.log(v / lo) / Math.log(hi / lo) : (v - lo) / (hi - lo)),
    fromShare: (/** @type {number} */ t) => (log ? lo * (hi / lo) ** t : lo + t * (hi - lo)),
    snap: (/** @type {number} */ v) =>
      limit(log ? Number(v.toPrecision(3)) : Number((Math.round(v / step) * step).toFixed(7))),
  };
}

/** What is seen of a slider. @param {SliderSpec} spec @param {number} homeShare */
function rail({ label, drag: [lo, hi], unit }, homeShare) {
  const span = h("div", { class: "span" });
  const thumb = h("div", { class: "thumb" });
  const props = { class: "slider", role: "slider", tabIndex: 0 };
  const said = { "aria-label": label, "aria-valuemin": lo, "aria-valuemax": hi };
  const node = h("div", { ...props, ...said }, h("div", { class: "track" }), span, thumb);
  if (homeShare > 0 && homeShare < 1) {
    const tick = h("div", { class: "home" });
    tick.style.left = `${homeShare * 100}%`;
    node.insertBefore(tick, thumb);
  }
  /** @param {number} v @param {number} share */
  function draw(v, share) {
    thumb.style.left = `${share * 100}%`;
    span.style.left = `${Math.min(share, homeShare) * 100}%`;
    span.style.width = `${Math.abs(share - homeShare) * 100}%`;
    node.dataset.out = v < lo ? "low" : v > hi ? "high" : "";
    node.setAttribute("aria-valuenow", String(v));
    node.setAttribute("aria-valuetext", `${Number(v.toPrecision(6))}${unit ? ` ${unit}` : ""}`);
  }
  return { node, draw };
}

/**
 * @param {HTMLElement} node
 * @param {object} to
 * @param {() => boolean} to.off
 * @param {() => number} to.share
 * @param {() => number} to.value
 * @param {(now: boolean) => void} to.hold
 * @param {(share: number, moving: boolean) => void} to.moveTo
 * @param {(before: number) => void} to.back
 * @param {() => void} to.rest
 * @param {() => void} to.reset
 */
function byPointer(node, to) {
  /** @type {Grip | null} */
  let grip = null;
  let lastTap = -Infinity;
  node.addEventListener("pointerdown", (e) => {
    if (e.button !== 0 || grip || to.off()) return;
    const box = node.getBoundingClientRect();
    const touch = e.pointerType === "touch";
    const at = (e.clientX - box.left) / box.width;
    const onThumb = Math.abs(at - to.share()) * box.width < 14;
    const share = touch || onThumb ? to.share() : at;
    grip = { id: e.pointerId, x: e.clientX, share, before: to.value(), touch, moved: false };
    to.hold(true);
    node.setPointerCapture(e.pointerId);
    node.focus({ preventScroll: true });
  });
  node.addEventListener("pointermove", (e) => {
    if (!grip || e.pointerId !== grip.id) return;
    if (!grip.moved && Math.abs(e.clientX - grip.x) < (grip.touch ? 6 : 2)) return;
    if (!grip.moved) {
      grip.moved = true;
      if (grip.touch) grip.x = e.clientX;
      node.classList.add("dragging");
    }
    const fine = e.shiftKey ? 0.1 : 1;
    to.moveTo(grip.share + ((e.clientX - grip.x) / node.clientWidth) * fine, true);
  });
  /** @param {PointerEvent} e */
  const end = (e) => {
    if (!grip || e.pointerId !== grip.id) return;
    const was = grip;
    grip = null;
    to.hold(false);
    node.classList.remove("dragging");
    if (e.type === "pointercancel") return was.moved ? to.back(was.before) : undefined;
    if (was.moved) return to.rest();
    if (e.timeStamp - lastTap < DOUBLE_TAP_MS) {
      lastTap = -Infinity;
      return to.reset();
    }
    lastTap = e.timeStamp;
    if (!was.touch) to.moveTo(was.share, false);
  };
  node.addEventListener("pointerup", end);
  node.addEventListener("pointercancel", end);
}
