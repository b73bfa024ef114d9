// Pointers on the picture: one finger or the mouse works the tool in hand, two fingers or the wheel
// zoom and pan, a double tap goes between the whole frame and single pixels.

import { emit } from "./store.js";
import { isFit, panBy, pictureBox as box, underPointer, zoomBy, zoomToFit, zoomToPixels } from "./picture.js";

/**
 * @typedef {object} Tool
 * @property {string} name
 * @property {string} [hint]   shown over the picture while the tool is in hand
 * @property {(at: number[], e?: PointerEvent) => boolean | void} [down]   false: leave it to panning
 * @property {(at: number[], e?: PointerEvent) => void} [move]
 * @property {(at: number[], e?: PointerEvent) => void} [up]
 * @property {string} [keyHint]   the same for those who work by keys: what Enter does
 * @property {boolean} [two]   two places make it: one where it begins, one where it is lifted
 * @property {() => void} [cancel]
 * @property {() => void} [drop]   the tool is put away
 */

/** @type {Tool} */
const hand = { name: "hand" };
let tool = hand;
export const toolInHand = () => tool.name;
export const toolNow = () => tool;

/** Take a tool, or put it away with null. @param {Tool | null} next */
export function take(next) {
  const before = tool;
  tool = next ?? hand;
  if (before !== tool) before.drop?.();
  box.dataset.tool = tool.name;
  emit("tool");
}

/** @type {Map<number, PointerEvent>} */
const down = new Map();
let working = false;
let moved = false;
let lastTap = { at: -Infinity, x: 0, y: 0 };
let pinch = { distance: 0, x: 0, y: 0 };

const local = (/** @type {PointerEvent} */ e) => {
  const r = box.getBoundingClientRect();
  return [e.clientX - r.left, e.clientY - r.top];
};

box.addEventListener("pointerdown", (e) => {
  if (/** @type {Element} */ (e.target).closest("button, select, input, .pin, .handle")) return;
  box.setPointerCapture(e.pointerId);
  down.set(e.pointerId, e);
  if (down.size === 2) {
    if (working) tool.cancel?.();
    working = false;
    pinch = spread();
    return;
  }
  moved = false;
  const panning = e.button === 1 || tool === hand;
  working = !panning && e.button === 0 && tool.down?.(underPointer(e), e) !== false;
  if (!working && !isFit()) box.dataset.cursor = "grabbing";
});

box.addEventListener("pointermove", (e) => {
  const before = down.get(e.pointerId);
  if (!before) return emit("hover", e);
  down.set(e.pointerId, e);
  if (down.size === 2) return pinchTo(spread());
  const [dx, dy] = [e.clientX - before.clientX, e.clientY - before.clientY];
  if (Math.hypot(dx, dy) > 0) moved = moved || Math.hypot(dx, dy) > 1;
  if (working) tool.move?.(underPointer(e), e);
  else panBy(dx, dy);
});

function spread() {
  const [a, b] = [...down.values()].map(local);
  return { distance: Math.hypot(a[0] - b[0], a[1] - b[1]), x: (a[0] + b[0]) / 2, y: (a[1] + b[1]) / 2 };
}

/** @param {typeof pinch} next */
function pinchTo(next) {
  if (pinch.distance > 0) zoomBy(next.distance / pinch.distance, pinch.x, pinch.y, next.x, next.y);
  pinch = next;
  moved = true;
}

/** @param {PointerEvent} e */
function lift(e) {
  if (!down.delete(e.pointerId)) return;
  if (down.size) return;
  box.dataset.cursor = isFit() ? "" : "grab";
  if (working) {
    working = false;
    if (e.type === "pointercancel") tool.cancel?.();
    else tool.up?.(underPointer(e), e);
    return;
  }
  if (moved || e.type === "pointercancel" || e.button !== 0) return;
  const [x, y] = local(e);
  if (e.timeStamp - lastTap.at < 350 && Math.hypot(x - lastTap.x, y - lastTap.y) < 24) {
    lastTap.at = -Infinity;
    if (isFit()) {
      zoomToPixels();
      const r = box.getBoundingClientRect();
      panBy(r.width / 2 - x, r.height / 2 - y);
    } else zoomToFit();
  } else lastTap = { at: e.timeStamp, x, y };
}
box.addEventListener("pointerup", lift);
box.addEventListener("pointercancel", lift);
box.addEventListener("pointerleave", () => emit("hover", null));

box.addEventListener(
  "wheel",
  (e) => {
    e.preventDefault();
    const r = box.getBoundingClientRect();
    const size = e.deltaMode === 1 ? 24 : 1;
    if (e.shiftKey) panBy(-e.deltaY * size, 0);
    else
      zoomBy(Math.exp(-e.deltaY * size * (e.ctrlKey ? 0.01 : 0.0016)), e.clientX - r.left, e.clientY - r.top);
  },
  { passive: false },
);

box.addEventListener("keydown", (e) => {
  if (e.target !== box) return;
  const step = e.shiftKey ? 200 : 40;
  const pan =
    tool === hand &&
    { ArrowLeft: [step, 0], ArrowRight: [-step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] }[e.key];
  if (pan) panBy(pan[0], pan[1]);
  else if (e.key === "+" || e.key === "=") zoomBy(1.5);
  else if (e.key === "-") zoomBy(1 / 1.5);
  else if (e.key === "0") zoomToFit();
  else if (e.key === "1") zoomToPixels();
  else return;
  e.preventDefault();
});
