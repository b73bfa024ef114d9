// A smooth periodic curve over hue through points: monotone cubic, as the engines draw it.
// Source: Fritsch & Butland 1984 (the slopes), one turn repeated to each side.

/** @typedef {{hue_deg: number, value: number}} CurvePoint */

/** Values at 0…359 degrees. @param {CurvePoint[]} points @returns {Float32Array} */
export function hueTable(points) {
  const table = new Float32Array(360);
  if (points.length < 2) return table.fill(points[0]?.value ?? 1);
  const x = [-360, 0, 360].flatMap((turn) => points.map((p) => p.hue_deg + turn));
  const y = [0, 1, 2].flatMap(() => points.map((p) => p.value));
  const m = slopes(x, y);
  let k = 0;
  for (let hue = 0; hue < 360; hue++) {
    while (x[k + 1] <= hue) k++;
    const width = x[k + 1] - x[k];
    const t = (hue - x[k]) / width;
    const [a, b] = [
      (1 + 2 * t) * (1 - t) ** 2 * y[k] + t * t * (3 - 2 * t) * y[k + 1],
      t * (1 - t) ** 2 * m[k] + t * t * (t - 1) * m[k + 1],
    ];
    table[hue] = Math.max(0, a + width * b);
  }
  return table;
}

/** @param {number[]} x @param {number[]} y */
function slopes(x, y) {
  const n = x.length;
  const w = x.slice(1).map((v, i) => v - x[i]);
  const d = w.map((width, i) => (y[i + 1] - y[i]) / width);
  const m = new Array(n).fill(0);
  for (let i = 1; i < n - 1; i++) {
    if (d[i - 1] * d[i] <= 0) continue;
    const [w1, w2] = [2 * w[i] + w[i - 1], w[i] + 2 * w[i - 1]];
    m[i] = (w1 + w2) / (w1 / d[i - 1] + w2 / d[i]);
  }
  m[0] = d[0];
  m[n - 1] = d[n - 2];
  return m;
}

/**
 * Colour of a hue for drawing, muted so that it stays a label.
 * @param {number} hue
 * @param {number} [light]
 */
export const hueInk = (hue, light = 58) => `hsl(${hue} 42% ${light}%)`;
