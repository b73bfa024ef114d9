// Things that lie on the picture at a place of the frame, and the drawing layer for outlines.

import { byId } from "./dom.js";
import { on } from "./store.js";
import { toStage } from "./picture.js";

const layer = byId("marks");
const overlay = byId("overlay");

/** @type {Map<HTMLElement, number[]>} */
const placed = new Map();
/** @type {Set<() => void>} */
const drawers = new Set();

/** Put a node at a place of the frame, or move it. @param {HTMLElement} node @param {number} x @param {number} y */
export function putMark(node, x, y) {
  if (!placed.has(node)) layer.append(node);
  placed.set(node, [x, y]);
  position(node, x, y);
}

/** @param {HTMLElement} node */
export function removeMark(node) {
  placed.delete(node);
  node.remove();
}

/** @param {HTMLElement} node @param {number} x @param {number} y */
function position(node, x, y) {
  const [left, top] = toStage(x, y);
  node.style.left = `${left}px`;
  node.style.top = `${top}px`;
}

/**
 * Have a function called whenever outlines must be drawn afresh; returns a remover.
 * @param {() => void} draw
 */
export function drawOn(draw) {
  drawers.add(draw);
  draw();
  return () => drawers.delete(draw);
}

/** Add an SVG node to the drawing layer. @template {SVGElement} N @param {N} node */
export function addOutline(node) {
  overlay.append(node);
  return node;
}

/** @param {number} v */
const tenth = (v) => v.toFixed(1);

/** Path data through places of the frame. @param {number[][]} points @param {boolean} [closed] */
export function outline(points, closed = true) {
  return (
    points.map(([x, y], i) => (i ? "L" : "M") + toStage(x, y).map(tenth).join(" ")).join("") +
    (closed ? "Z" : "")
  );
}

on("placed", () => {
  for (const [node, [x, y]] of placed) position(node, x, y);
  for (const draw of drawers) draw();
});
