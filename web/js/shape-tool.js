// Drawing shapes on the picture and moving their points. Points are in full-resolution pixels.

import { button, h, s } from "./dom.js";
import { newGesture, set } from "./edits.js";
import { take, toolInHand } from "./gestures.js";
import { addOutline, drawOn, outline, putMark, removeMark } from "./marks.js";
import { toStage, underPointer } from "./picture.js";
import { copy, getAt } from "./paths.js";
import { emit, frameShown, on, operator, state } from "./store.js";

/** @import { Shape } from "./wire-types.js" */

const CLOSE_PX = 16;
const BOXED = ["rectangle", "ellipse"];

/** @type {string[] | null} */
let chosen = null;
export const chosenShape = () => chosen;

/** Show a shape's points for editing. @param {string[] | null} path */
export function chooseShape(path) {
  chosen = path;
  rebuildHandles();
  emit("tool");
}

/**
 * Points of a shape at a frame, between its poses in straight lines.
 * @param {Shape} shape
 * @param {number} frame
 * @returns {[number, number][]}
 */
export function pointsAt(shape, frame) {
  const poses = shape.poses;
  const after = poses.findIndex((p) => p.frame > frame);
  if (after === 0) return poses[0].points;
  if (after < 0) return poses[poses.length - 1].points;
  const [a, b] = [poses[after - 1], poses[after]];
  const t = (frame - a.frame) / (b.frame - a.frame);
  if (a.points.length !== b.points.length) return a.points;
  return a.points.map((/** @type {number[]} */ p, /** @type {number} */ i) => [
    p[0] + (b.points[i][0] - p[0]) * t,
    p[1] + (b.points[i][1] - p[1]) * t,
  ]);
}

/** The drawn form of points. @param {string} kind @param {number[][]} points @returns {number[][]} */
function form(kind, points) {
  if (BOXED.includes(kind) && points.length >= 2) {
    const [[x0, y0], [x1, y1]] = points;
    if (kind === "rectangle")
      return [
        [x0, y0],
        [x1, y0],
        [x1, y1],
        [x0, y1],
      ];
    return Array.from({ length: 64 }, (_, i) => [
      (x0 + x1) / 2 + ((x1 - x0) / 2) * Math.cos((i * Math.PI) / 32),
      (y0 + y1) / 2 + ((y1 - y0) / 2) * Math.sin((i * Math.PI) / 32),
    ]);
  }
  if (kind !== "curve" || points.length < 3) return points;
  const n = points.length;
  return points.flatMap((p, i) => {
    const [a, b, c, d] = [points[(i + n - 1) % n], p, points[(i + 1) % n], points[(i + 2) % n]];
    return Array.from({ length: 10 }, (_, j) => {
      const t = j / 10;
      return [0, 1].map(
        (k) =>
          0.5 *
          (2 * b[k] +
            (c[k] - a[k]) * t +
            (2 * a[k] - 5 * b[k] + 4 * c[k] - d[k]) * t * t +
            (3 * b[k] - a[k] - 3 * c[k] + d[k]) * t ** 3),
      );
    });
  });
}

const shade = addOutline(s("path", { class: "shade" }));
const line = addOutline(s("path", { class: "area chosen" }));
/** @type {number[][]} */
let drawing = [];
let drawingKind = "";

drawOn(() => {
  let d = "";
  if (drawing.length) d = outline(form(drawingKind, drawing), BOXED.includes(drawingKind));
  else if (chosen) {
    const shape = getAt(state.recipe, chosen);
    if (shape) d = outline(form(shape.kind, pointsAt(shape, frameShown())));
  }
  shade.setAttribute("d", d);
  line.setAttribute("d", d);
});
const redraw = () => emit("placed");

/** Draw a new shape. @param {string} kind @param {(points: number[][]) => void} ondone */
export function drawShape(kind, ondone) {
  drawing = [];
  drawingKind = kind;
  chosen = null;
  rebuildHandles();
  const boxed = BOXED.includes(kind);
  const wide = () =>
    drawing.length === 2 && [0, 1].every((k) => Math.abs(drawing[0][k] - drawing[1][k]) >= 1);
  const finish = () => {
    const points = drawing.map((p) => p.map((v) => Math.round(v * 10) / 10));
    drawing = [];
    take(null);
    if (points.length >= (boxed ? 2 : 3)) ondone(points);
    redraw();
  };
  finishNow = finish;
  const cancel = () => {
    if (boxed) drawing = [];
    redraw();
  };
  take({
    name: "shape",
    two: boxed,
    hint: boxed
      ? `Drag from corner to corner of the ${kind}`
      : "Tap the corners in turn; tap the first one again to close",
    keyHint: boxed
      ? `Enter sets one corner of the ${kind}, then the other`
      : "Enter sets each corner; twice in one place closes the outline",
    down(at) {
      if (boxed) drawing = [at, at];
    },
    move(at) {
      if (boxed) {
        drawing = [drawing[0], at];
        redraw();
      }
    },
    up(at, e) {
      if (boxed) return wide() ? finish() : cancel();
      const last = drawing[drawing.length - 1];
      if (!e && last && String(last) === String(at)) return drawing.length >= 3 ? finish() : undefined;
      const start = drawing[0];
      if (start && drawing.length >= 3) {
        const [a, b] = [toStage(start[0], start[1]), toStage(at[0], at[1])];
        if (Math.hypot(a[0] - b[0], a[1] - b[1]) < CLOSE_PX) return finish();
      }
      drawing = [...drawing, at];
      redraw();
    },
    cancel,
    drop() {
      drawing = [];
      redraw();
    },
  });
}

/** @type {(() => void) | null} */
let finishNow = null;

/** A button to close the outline, for those who cannot hit the first point. */
export const closeOutlineButton = () =>
  toolInHand() === "shape" && !BOXED.includes(drawingKind)
    ? button({
        label: "Close the outline",
        text: "Close the outline",
        class: "small",
        onclick: () => finishNow?.(),
      })
    : null;

/** @type {HTMLElement[]} */
let handles = [];
function rebuildHandles() {
  handles.forEach(removeMark);
  handles = [];
  const shape = chosen && getAt(state.recipe, chosen);
  if (shape && operator()) {
    handles = pointsAt(shape, frameShown()).map((_, i) => handle(i));
    placeHandles();
  }
  redraw();
}

function placeHandles() {
  const shape = chosen && getAt(state.recipe, chosen);
  if (!shape) return;
  const points = pointsAt(shape, frameShown());
  if (points.length !== handles.length) return rebuildHandles();
  points.forEach(([x, y], i) => putMark(handles[i], x, y));
}

/** @param {number} i */
function handle(i) {
  let gesture = "";
  const node = h("button", {
    type: "button",
    class: "handle",
    "aria-label": `Point ${i + 1} of the shape; arrow keys move it`,
  });
  /** @param {number[]} at @param {boolean} moving */
  const move = (at, moving) => {
    const path = /** @type {string[]} */ (chosen);
    /** @type {Shape} */
    const shape = getAt(state.recipe, path);
    const points = copy(pointsAt(shape, frameShown()));
    points[i] = [Math.round(at[0] * 10) / 10, Math.round(at[1] * 10) / 10];
    const poses =
      shape.poses.length === 1 && shape.poses[0].frame === frameShown()
        ? []
        : shape.poses.filter((p) => p.frame !== frameShown());
    poses.push({ frame: frameShown(), points });
    poses.sort((a, b) => a.frame - b.frame);
    set([...path, "poses"], poses, { label: `Move ${shape.name}`, moving, gesture });
  };
  node.addEventListener("pointerdown", (/** @type {PointerEvent} */ e) => {
    gesture = newGesture();
    node.setPointerCapture(e.pointerId);
    node.classList.add("dragging");
    e.stopPropagation();
  });
  node.addEventListener("pointermove", (/** @type {PointerEvent} */ e) => {
    if (node.hasPointerCapture(e.pointerId)) move(underPointer(e), true);
  });
  node.addEventListener("pointerup", (/** @type {PointerEvent} */ e) => {
    node.classList.remove("dragging");
    move(underPointer(e), false);
  });
  node.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
    const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    const shape = chosen && getAt(state.recipe, chosen);
    if (!by || !shape) return;
    e.preventDefault();
    const [x, y] = pointsAt(shape, frameShown())[i];
    gesture = newGesture();
    move([x + by[0] * (e.shiftKey ? 10 : 1), y + by[1] * (e.shiftKey ? 10 : 1)], false);
  });
  return node;
}

on("recipe frame", () => {
  if (!chosen) return;
  if (!getAt(state.recipe, chosen)) return chooseShape(null);
  placeHandles();
  redraw();
});
