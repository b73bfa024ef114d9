// Tools by keys: with a tool in hand and the picture in focus, arrow keys move a cross-hair and Enter
// works the tool there. A tool that is taken by keys brings the focus here and gives it back.

import { h } from "./dom.js";
import { toolNow } from "./gestures.js";
import { putMark, removeMark } from "./marks.js";
import { panBy, pictureBox as box, scaleNow, toFrame, toStage } from "./picture.js";
import { emit, on, state } from "./store.js";

const STEP_PX = 10;
const MARGIN_PX = 24;
const PLAIN = "Picture. Arrow keys pan, plus and minus zoom, 0 shows the whole frame, 1 single pixels.";
const WORKED = "Picture. Arrow keys move the cross-hair, with Shift by single pixels.";
const WAYS = /** @type {Record<string, number[]>} */ ({
  ArrowLeft: [-1, 0],
  ArrowRight: [1, 0],
  ArrowUp: [0, -1],
  ArrowDown: [0, 1],
});

const cross = h("div", { class: "cross", "aria-hidden": "true" });
let tool = toolNow();
/** Where the cross-hair is, in full-resolution pixels. */
let at = [0, 0];
/** The first of two places is set. */
let begun = false;
/** @type {HTMLElement | null} what had the focus before */
let came = null;

const busy = () => tool.name !== "hand";
const within = (/** @type {number} */ v, /** @type {number} */ most) => Math.min(most - 0.01, Math.max(0, v));

/** @param {number} x @param {number} y */
function put(x, y) {
  const { width, height } = state.shot;
  at = [within(x, width), within(y, height)];
  const [px, py] = toStage(at[0], at[1]);
  const back = (/** @type {number} */ p, /** @type {number} */ most) =>
    Math.min(most - MARGIN_PX, Math.max(MARGIN_PX, p)) - p;
  panBy(back(px, box.clientWidth), back(py, box.clientHeight));
  putMark(cross, at[0], at[1]);
  if (begun) tool.move?.(at);
}

/** Let the values under the picture follow. */
function look() {
  const [r, [px, py]] = [box.getBoundingClientRect(), toStage(at[0], at[1])];
  emit("hover", { clientX: r.left + px, clientY: r.top + py, pointerType: "keys" });
}

function enter() {
  if (tool.two && !begun) {
    begun = tool.down?.(at) !== false;
    return;
  }
  begun = false;
  tool.up?.(at);
}

box.addEventListener("keydown", (e) => {
  if (e.target !== box || !busy() || !state.shot || e.ctrlKey || e.metaKey || e.altKey) return;
  const way = WAYS[e.key];
  if (way) {
    const step = e.shiftKey ? 1 : Math.max(1, Math.round(STEP_PX / scaleNow()));
    put(at[0] + way[0] * step, at[1] + way[1] * step);
    look();
  } else if (e.key === "Enter" && !e.repeat) enter();
  else return;
  e.preventDefault();
});
box.addEventListener("pointerdown", () => {
  begun = false;
});
box.addEventListener("blur", () => emit("hover", null));

on("tool", () => {
  if (tool === toolNow()) return;
  const before = tool;
  tool = toolNow();
  begun = false;
  box.setAttribute("aria-label", busy() ? `${WORKED} ${tool.keyHint}. Escape puts the tool away.` : PLAIN);
  if (!busy()) return leave();
  if (state.shot) put(...middle());
  const active = /** @type {HTMLElement | null} */ (document.activeElement);
  if (before.name !== "hand" || active === box || !active?.matches("button:focus-visible")) return;
  came = active;
  box.focus({ preventScroll: true });
});

/** @returns {[number, number]} the pixel in the middle of what is seen */
function middle() {
  const [x, y] = toFrame(box.clientWidth / 2, box.clientHeight / 2).map(Math.floor);
  return [x + 0.5, y + 0.5];
}

function leave() {
  removeMark(cross);
  const back = came;
  came = null;
  if (back?.isConnected && document.activeElement === box) back.focus();
}
box.setAttribute("aria-label", PLAIN);
