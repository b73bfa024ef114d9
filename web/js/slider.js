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

const DOUBLE_TAP_MS = 350;

/** @param {SliderSpec} spec */
export function slider(spec) {
  const [lo, hi] = spec.drag;
  const log = lo > 0 && hi / lo >= 1000;
  const toShare = (/** @type {number} */ v) =>
    log ? Math.log(v / lo) / Math.log(hi / lo) : (v - lo) / (hi - lo);
  const fromShare = (/** @type {number} */ t) => (log ? lo * (hi / lo) ** t : lo + t * (hi - lo));
  const limit = (/** @type {number} */ v) =>
    Math.min(spec.high ?? Infinity, Math.max(spec.low ?? -Infinity, v));
  const span = h("div", { class: "span" });
  const thumb = h("div", { class: "thumb" });
  const node = h(
    "div",
    {
      class: "slider",
      role: "slider",
      tabIndex: 0,
      "aria-label": spec.label,
      "aria-valuemin": lo,
      "aria-valuemax": hi,
    },
    h("div", { class: "track" }),
    span,
    thumb,
  );
  const home = spec.home ?? lo;
  const homeShare = Math.min(1, Math.max(0, toShare(home)));
  if (homeShare > 0 && homeShare < 1) {
    const tick = h("div", { class: "home" });
    tick.style.left = `${homeShare * 100}%`;
    node.insertBefore(tick, thumb);
  }
  let value = home;

  /** @param {number} v */
  function show(v) {
    value = v;
    const share = Math.min(1, Math.max(0, toShare(v)));
    thumb.style.left = `${share * 100}%`;
    span.style.left = `${Math.min(share, homeShare) * 100}%`;
    span.style.width = `${Math.abs(share - homeShare) * 100}%`;
    node.dataset.out = v < lo ? "low" : v > hi ? "high" : "";
    node.setAttribute("aria-valuenow", String(v));
    node.setAttribute("aria-valuetext", `${Number(v.toPrecision(6))}${spec.unit ? ` ${spec.unit}` : ""}`);
  }
  /** @param {number} v */
  const snap = (v) =>
    limit(log ? Number(v.toPrecision(3)) : Number((Math.round(v / spec.step) * spec.step).toFixed(7)));
  /** @param {number} v @param {boolean} moving */
  function move(v, moving) {
    const next = snap(v);
    if (next === value && moving) return;
    show(next);
    spec.onchange(next, moving);
  }

  /** @type {{id: number, x: number, share: number, before: number, touch: boolean, moved: boolean} | null} */
  let grip = null;
  let lastTap = -Infinity;
  node.addEventListener("pointerdown", (/** @type {PointerEvent} */ e) => {
    if (e.button !== 0 || grip || node.getAttribute("aria-disabled") === "true") return;
    const box = node.getBoundingClientRect();
    const touch = e.pointerType === "touch";
    const at = (e.clientX - box.left) / box.width;
    const onThumb = Math.abs(at - toShare(value)) * box.width < 14;
    grip = {
      id: e.pointerId,
      x: e.clientX,
      share: touch || onThumb ? toShare(value) : at,
      before: value,
      touch,
      moved: false,
    };
    node.setPointerCapture(e.pointerId);
    node.focus({ preventScroll: true });
  });
  node.addEventListener("pointermove", (/** @type {PointerEvent} */ e) => {
    if (!grip || e.pointerId !== grip.id) return;
    const dx = e.clientX - grip.x;
    if (!grip.moved && Math.abs(dx) < (grip.touch ? 6 : 2)) return;
    if (!grip.moved) {
      grip.moved = true;
      if (grip.touch) grip.x = e.clientX;
      node.classList.add("dragging");
    }
    const fine = e.shiftKey ? 0.1 : 1;
    const share = grip.share + ((e.clientX - grip.x) / node.clientWidth) * fine;
    move(fromShare(Math.min(1, Math.max(0, share))), true);
  });
  /** @param {PointerEvent} e */
  const end = (e) => {
    if (!grip || e.pointerId !== grip.id) return;
    const was = grip;
    grip = null;
    node.classList.remove("dragging");
    if (e.type === "pointercancel") {
      if (was.moved) move(was.before, false);
      return;
    }
    if (was.moved) return spec.onchange(value, false);
    if (e.timeStamp - lastTap < DOUBLE_TAP_MS) {
      lastTap = -Infinity;
      return reset();
    }
    lastTap = e.timeStamp;
    if (!was.touch) move(fromShare(Math.min(1, Math.max(0, was.share))), false);
  };
  node.addEventListener("pointerup", end);
  node.addEventListener("pointercancel", end);

  function reset() {
    if (spec.onreset) spec.onreset();
    else move(home, false);
  }
  node.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
    if (node.getAttribute("aria-disabled") === "true") return;
    const size = spec.step * (e.shiftKey ? 0.1 : 1);
    const by = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10 }[e.key];
    if (by !== undefined) moveByKey(by, size);
    else if (e.key === "Home") move(lo, false);
    else if (e.key === "End") move(hi, false);
    else if (e.key === "Delete" || e.key === "Backspace") reset();
    else return;
    e.preventDefault();
  });
  /** @param {number} by @param {number} size */
  function moveByKey(by, size) {
    if (log) return move(fromShare(Math.min(1, Math.max(0, toShare(value) + by * 0.02))), false);
    const next = limit(Number((value + by * size).toFixed(8)));
    show(next);
    spec.onchange(next, false);
  }
  node.show = (/** @type {number} */ v) => {
    if (!grip) show(v);
  };
  show(home);
  return node;
}
