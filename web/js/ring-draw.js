// Drawing the hue rings: the hues of the frame inside, a curve around them.

import { hueInk, hueTable } from "./hue-curve.js";
import { CURVE_RANGE } from "./limits.js";
import { getAt } from "./paths.js";
import { drawDensity } from "./scope-draw.js";
import { state } from "./store.js";

/** @import { Density, Sampled } from "./wire-types.js" */
/** @typedef {"spill_by_hue" | "saturation_by_hue"} CurveName */

const INNER = 0.56; // radius of the hue plot, of half the size
/** Radii of the ring, of half the size. */
export const BAND = [0.64, 0.96];
const NAMES = ["R", "Yl", "G", "Cy", "B", "Mg"];

/** Radius of a value, of half the size. @param {CurveName} curve @param {number} v */
export function share(curve, v) {
  const [lo, hi] = CURVE_RANGE[curve];
  return BAND[0] + ((BAND[1] - BAND[0]) * (Math.min(hi, v) - lo)) / (hi - lo);
}

/** @param {number} hue degrees; counter-clockwise, as seen */
const angle = (hue) => (-hue * Math.PI) / 180;

/**
 * @param {HTMLCanvasElement} canvas
 * @param {{density: Density | null, pass: string[], curve: CurveName}} what
 */
export function drawRings(canvas, { density, pass, curve }) {
  const size = Math.round(canvas.clientWidth * devicePixelRatio);
  if (!size) return;
  if (canvas.width !== size || canvas.height !== size) canvas.width = canvas.height = size;
  const c = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  const r = size / 2;
  c.clearRect(0, 0, size, size);
  c.save();
  c.translate(r, r);
  if (density) drawDensity(c, density, -r * INNER, -r * INNER, 2 * r * INNER, { hues: true });
  drawPlot(c, r, size);
  const table = hueTable(getAt(state.recipe, [...pass, curve, "points"]) ?? []);
  const radii = Array.from(table, (v) => share(curve, v) * r);
  drawCurve(c, radii, share(curve, 1) * r, size);
  c.strokeStyle = "#3a3a3a";
  c.lineWidth = Math.max(1, size / 420);
  for (const radius of BAND) circle(c, r * radius);
  for (const { sample } of state.samples.slice(0, 3)) markSample(c, sample, r, size);
  c.restore();
}

/** Circles and names of the hue plot. @param {CanvasRenderingContext2D} c @param {number} r @param {number} size */
function drawPlot(c, r, size) {
  c.lineWidth = Math.max(1, size / 420);
  c.strokeStyle = "#5c5c5c";
  for (const t of [0.5, 1]) circle(c, r * INNER * t);
  c.font = `${Math.round(size / 30)}px system-ui, sans-serif`;
  c.textAlign = "center";
  c.textBaseline = "middle";
  c.fillStyle = "#b9b9b9";
  for (const [i, name] of NAMES.entries()) {
    const [x, y] = [Math.cos(angle(60 * i)) * r * INNER, Math.sin(angle(60 * i)) * r * INNER];
    c.beginPath();
    c.moveTo(0.94 * x, 0.94 * y);
    c.lineTo(1.03 * x, 1.03 * y);
    c.stroke();
    c.fillText(name, 0.84 * x, 0.84 * y);
  }
}

/**
 * The base circle of factor 1 in the colours of the hues, the band between it and the curve filled.
 * @param {CanvasRenderingContext2D} c
 * @param {number[]} radii of the curve, by degree
 * @param {number} base
 * @param {number} size
 */
function drawCurve(c, radii, base, size) {
  for (let hue = 0; hue < 360; hue += 2) {
    const [a, b] = [angle(hue + 2.2), angle(hue)];
    const [v0, v1] = [radii[hue], radii[(hue + 2) % 360]];
    c.fillStyle = hueInk(hue, 34);
    c.beginPath();
    c.arc(0, 0, base, a, b);
    c.lineTo(v0 * Math.cos(b), v0 * Math.sin(b));
    c.lineTo(v1 * Math.cos(a), v1 * Math.sin(a));
    c.fill();
    c.strokeStyle = hueInk(hue);
    c.lineWidth = size / 90;
    c.beginPath();
    c.arc(0, 0, base, a, b);
    c.stroke();
  }
  c.strokeStyle = "#f2f2f2";
  c.lineWidth = size / 220;
  c.beginPath();
  for (let hue = 0; hue <= 360; hue++) {
    const [v, a] = [radii[hue % 360], angle(hue)];
    if (hue) c.lineTo(v * Math.cos(a), v * Math.sin(a));
    else c.moveTo(v * Math.cos(a), v * Math.sin(a));
  }
  c.stroke();
}

/** @param {CanvasRenderingContext2D} c @param {Sampled} sample @param {number} r @param {number} size */
function markSample(c, sample, r, size) {
  const a = angle(sample.hue_deg);
  const at = Math.min(1, sample.saturation) * INNER * r;
  c.strokeStyle = "#f2f2f2";
  c.lineWidth = size / 300;
  c.setLineDash([size / 80, size / 80]);
  c.beginPath();
  c.moveTo(at * Math.cos(a), at * Math.sin(a));
  c.lineTo(r * 0.99 * Math.cos(a), r * 0.99 * Math.sin(a));
  c.stroke();
  c.setLineDash([]);
  c.fillStyle = `rgb(${sample.display.join(" ")})`;
  c.beginPath();
  c.arc(at * Math.cos(a), at * Math.sin(a), size / 55, 0, 2 * Math.PI);
  c.fill();
  c.stroke();
}

/** @param {CanvasRenderingContext2D} c @param {number} radius */
function circle(c, radius) {
  c.beginPath();
  c.arc(0, 0, radius, 0, 2 * Math.PI);
  c.stroke();
}
