// Paths into the recipe: a list of keys; an item of a list is named by its id.

/** @import { Value } from "./wire-types.js" */
/** @typedef {string[]} Path */

/**
 * Value at a path; items of lists by id, else by position.
 * @param {Value} root
 * @param {Path} path
 * @returns {Value}
 */
export function getAt(root, path) {
  let node = root;
  for (const key of path) {
    if (node === undefined || node === null) return undefined;
    node = Array.isArray(node) ? node[indexOf(node, key)] : node[key];
  }
  return node;
}

/**
 * Set a value at a path, in place.
 * @param {Value} root
 * @param {Path} path
 * @param {Value} value
 * @returns {boolean} whether the place existed
 */
export function setAt(root, path, value) {
  const parent = getAt(root, path.slice(0, -1));
  const last = path[path.length - 1];
  if (parent === undefined || parent === null) return false;
  if (Array.isArray(parent)) {
    const at = indexOf(parent, last);
    if (at < 0) return false;
    parent[at] = value;
  } else parent[last] = value;
  return true;
}

/** @param {Value[]} list @param {string} key */
export function indexOf(list, key) {
  const at = list.findIndex((item) => item && item.id === key);
  if (at >= 0) return at;
  return /^\d+$/.test(key) && Number(key) < list.length ? Number(key) : -1;
}

/** Whether one path is the start of the other. @param {Path} a @param {Path} b */
export function touches(a, b) {
  const n = Math.min(a.length, b.length);
  for (let i = 0; i < n; i++) if (a[i] !== b[i]) return false;
  return true;
}

/** @template T @param {T} value @returns {T} */
export const copy = (value) => (value === undefined ? value : structuredClone(value));

/** A new id for a list item. */
export function newId() {
  return Array.from(crypto.getRandomValues(new Uint8Array(4)), (b) => b.toString(16).padStart(2, "0")).join(
    "",
  );
}

const UNITS = ["px", "deg", "stops"];

/** "fill_blur_px" to "Fill blur". @param {string} key */
export function words(key) {
  const parts = key.split("_");
  if (parts.length > 1 && UNITS.includes(parts[parts.length - 1])) parts.pop();
  const text = parts
    .join(" ")
    .replace("colourspace", "colour space")
    .replace(/\b(cdl|lut)\b/g, (short) => short.toUpperCase());
  return capital(text);
}

/** A number and its noun, "1 frame" or "12 frames". @param {number} count @param {string} one */
export const counted = (count, one) => `${count} ${one}${count === 1 ? "" : "s"}`;

/** With a capital first letter. @param {string} text */
export const capital = (text) => (text[0]?.toUpperCase() ?? "") + text.slice(1);

/** A sentence of its own: capital, full stop. @param {string} text */
export const sentence = (text) => (text ? `${capital(text)}${/[.!?]$/.test(text) ? "" : "."}` : "");

/** Format a number for reading: enough digits, none too many. @param {number} x @param {number} [step] */
export function figure(x, step = 0.001) {
  if (!Number.isFinite(x)) return "–";
  const digits = Math.min(7, Math.max(0, Math.ceil(-Math.log10(step) - 1e-9)));
  if (x !== 0 && Math.abs(x) < 10 ** -digits) return x.toPrecision(2);
  return String(Number(x.toFixed(digits)));
}
