// Drawing the scopes on 2-D canvases. Data come from the server (see its `Density`, `Histogram`).

/** @import { Density, Histogram, Target } from "./wire-types.js" */

const INK = { red: "#e08585", green: "#84c98a", blue: "#8aa6ea", luminance: "#d8d8d8" };
const MARGIN = 22;

/**
 * Fit a canvas to its box; returns its context and size in device pixels, or null when unseen.
 * @param {HTMLCanvasElement} canvas
 */
export function fitCanvas(canvas) {
  const dpr = devicePixelRatio;
  const [w, h] = [Math.round(canvas.clientWidth * dpr), Math.round(canvas.clientHeight * dpr)];
  if (!w || !h) return null;
  if (canvas.width !== w || canvas.height !== h) Object.assign(canvas, { width: w, height: h });
  const c = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  c.clearRect(0, 0, w, h);
  return { c, w, h, dpr };
}

/** @param {string} text base64 @returns {Uint8Array} */
export function bytesOf(text) {
  const raw = atob(text);
  const out = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
  return out;
}

/** Muted colour of a hue for the hue plot. @param {number} hue @returns {number[]} */
function hueRgb(hue) {
  return [5, 3, 1].map((n) => {
    const k = (n + hue / 60) % 6;
    return 255 * (0.9 - 0.55 * Math.min(1, Math.max(0, Math.min(k, 4 - k))));
  });
}

/**
 * Draw a density picture, brighter where there is more.
 * @param {CanvasRenderingContext2D} c
 * @param {Density} density
 * @param {number} x @param {number} y @param {number} size @param {{hues?: boolean, height?: number}} [how]
 */
export function drawDensity(c, density, x, y, size, { hues = false, height = size } = {}) {
  const lift = density.planes.length === 3 ? faint : clear;
  const { width: w, height: h } = density;
  const planes = density.planes.map(bytesOf);
  const image = new ImageData(w, h);
  for (let i = 0; i < w * h; i++) {
    let rgb;
    if (planes.length === 3) rgb = muted(lift(planes[0][i]), lift(planes[1][i]), lift(planes[2][i]));
    else {
      const v = lift(planes[0][i]);
      if (!v) continue;
      const tint = hues
        ? hueRgb(((Math.atan2(h / 2 - ((i / w) | 0), (i % w) - w / 2) * 180) / Math.PI + 360) % 360)
        : [225, 225, 225];
      rgb = tint.map((t) => (t * v) / 255);
    }
    const most = Math.max(rgb[0], rgb[1], rgb[2]);
    image.data.set([rgb[0], rgb[1], rgb[2], Math.min(255, most)], i * 4);
  }
  const scratch = document.createElement("canvas");
  Object.assign(scratch, { width: w, height: h });
  scratch.getContext("2d")?.putImageData(image, 0, 0);
  c.imageSmoothingEnabled = true;
  c.drawImage(scratch, x, y, size, height);
}

/**
 * Red, green, blue counts in soft colours, neutral where all three are equal.
 * @param {number} r
 * @param {number} g
 * @param {number} b
 */
const muted = (r, g, b) => [
  0.9 * r + 0.3 * g + 0.34 * b,
  0.34 * r + 0.86 * g + 0.42 * b,
  0.34 * r + 0.36 * g + b,
];

/** Faint counts stay visible: a little where three channels add up, more in the discs. @param {number} v */
const faint = (v) => (v ? 22 + 233 * (v / 255) ** 0.7 : 0);
/** @param {number} v */
const clear = (v) => (v ? 70 + 185 * (v / 255) ** 0.4 : 0);

/** @param {HTMLCanvasElement} canvas @param {Histogram} histogram */
export function drawHistogram(canvas, histogram) {
  const fit = fitCanvas(canvas);
  if (!fit) return;
  const { c, w, h, dpr } = fit;
  const { low, high, counts } = histogram;
  const left = 8 * dpr;
  const [floor, tall] = [h - MARGIN * dpr, h - (MARGIN + 24) * dpr];
  const xOf = (/** @type {number} */ v) => left + ((v - low) / (high - low)) * (w - 2 * left);
  c.font = `${11 * dpr}px system-ui, sans-serif`;
  c.textAlign = "center";
  for (const v of ticks(low, high)) {
    c.fillStyle = "#2c2c2c";
    c.fillRect(xOf(v), 20 * dpr, dpr, floor - 20 * dpr);
    c.fillStyle = "#a5a5a5";
    c.fillText(
      String(Number(v.toPrecision(3))),
      Math.min(w - 14 * dpr, Math.max(10 * dpr, xOf(v))),
      h - 7 * dpr,
    );
  }
  const top = Math.max(1, ...["red", "green", "blue"].map((k) => peak(counts[k] ?? [])));
  c.globalCompositeOperation = "lighter";
  for (const name of /** @type {const} */ (["red", "green", "blue"])) {
    const list = counts[name] ?? [];
    c.beginPath();
    c.moveTo(left, floor);
    list.forEach((n, i) =>
      c.lineTo(
        left + ((i + 0.5) / list.length) * (w - 2 * left),
        floor - tall * Math.min(1, Math.log1p(n) / Math.log1p(top)),
      ),
    );
    c.lineTo(w - left, floor);
    c.fillStyle = INK[name] + "59";
    c.fill();
    c.strokeStyle = INK[name];
    c.lineWidth = dpr;
    c.stroke();
  }
  c.globalCompositeOperation = "source-over";
}

/** @param {number[]} list */
const peak = (list) => list.reduce((most, n) => Math.max(most, n), 0);

/** Round values that divide a range in a few steps. @param {number} low @param {number} high */
export function ticks(low, high) {
  const rough = (high - low) / 5;
  const power = 10 ** Math.floor(Math.log10(rough || 1));
  const step = [1, 2, 5, 10].map((m) => m * power).find((s) => s >= rough) ?? power;
  const out = [];
  for (let v = Math.ceil(low / step) * step; v <= high + step * 1e-6; v += step)
    out.push(Math.abs(v) < step * 1e-6 ? 0 : v);
  return out;
}

/** @param {HTMLCanvasElement} canvas @param {Density} waveform */
export function drawWaveform(canvas, waveform) {
  const fit = fitCanvas(canvas);
  if (!fit) return;
  const { c, w, h, dpr } = fit;
  const [left, top, bottom] = [34 * dpr, 28 * dpr, 8 * dpr];
  c.font = `${11 * dpr}px system-ui, sans-serif`;
  c.textAlign = "right";
  for (const level of [0, 64, 128, 192, 255]) {
    const y = top + (1 - level / 255) * (h - top - bottom);
    c.fillStyle = "#2c2c2c";
    c.fillRect(left, y, w - left, dpr);
    c.fillStyle = "#a5a5a5";
    c.fillText(String(level), left - 6 * dpr, y + 4 * dpr);
  }
  c.globalCompositeOperation = "lighter";
  drawDensity(c, waveform, left, top, w - left - 6 * dpr, { height: h - top - bottom });
  c.globalCompositeOperation = "source-over";
}

/**
 * @param {HTMLCanvasElement} canvas
 * @param {Density} vectorscope
 * @param {Target[]} targets
 * @param {import("./store.js").Taken[]} samples
 */
export function drawVectorscope(canvas, vectorscope, targets, samples) {
  const fit = fitCanvas(canvas);
  if (!fit) return;
  const { c, w, h, dpr } = fit;
  const r = Math.min(w, h - 8 * dpr) / 2 - 4 * dpr;
  c.translate(Math.max(w / 2, w - r - 10 * dpr), h / 2); // to the right: the caption stands on the left
  c.strokeStyle = "#2f2f2f";
  c.lineWidth = dpr;
  for (const t of [0.5, 1]) {
    c.beginPath();
    c.arc(0, 0, r * t, 0, 7);
    c.stroke();
  }
  c.beginPath();
  c.moveTo(-r, 0);
  c.lineTo(r, 0);
  c.moveTo(0, -r);
  c.lineTo(0, r);
  c.stroke();
  if (vectorscope) drawDensity(c, vectorscope, -r, -r, 2 * r);
  c.font = `${10.5 * dpr}px system-ui, sans-serif`;
  c.textAlign = "center";
  c.textBaseline = "middle";
  for (const { name, level, cb, cr } of targets) {
    const [x, y, s] = [cb * 2 * r, -cr * 2 * r, (level === 100 ? 3 : 4.5) * dpr];
    c.strokeStyle = level === 100 ? "#8a8a8a" : "#d0d0d0";
    c.strokeRect(x - s, y - s, 2 * s, 2 * s);
    if (level !== 75) continue;
    const d = Math.hypot(x, y) || 1;
    c.fillStyle = "#c4c4c4";
    c.fillText(short(name), x - (x / d) * 14 * dpr, y - (y / d) * 14 * dpr);
  }
  for (const { sample } of samples.slice(0, 3)) {
    const [cb, cr] = chroma(sample.display);
    c.fillStyle = `rgb(${sample.display.join(" ")})`;
    c.strokeStyle = "#f2f2f2";
    c.beginPath();
    c.arc(cb * 2 * r, -cr * 2 * r, 5 * dpr, 0, 7);
    c.fill();
    c.stroke();
  }
  c.setTransform(1, 0, 0, 1, 0, 0);
}

/** @param {string} name */
const short = (name) =>
  ({ red: "R", green: "G", blue: "B", cyan: "Cy", magenta: "Mg", yellow: "Yl" })[name.toLowerCase()] ?? name;

/** Cb, Cr of display code values, ITU-R BT.709. @param {number[]} rgb */
function chroma([r, g, b]) {
  const y = 0.2126 * r + 0.7152 * g + 0.0722 * b;
  return [(b - y) / 1.8556 / 255, (r - y) / 1.5748 / 255];
}
