// Values that change over the shot: a number, or keys over frames.

/** @import { Keys, Value } from "./wire-types.js" */
/** @typedef {number | Keys | null} Keyable a number, or one that changes over the shot */

/** @param {Value} value @returns {value is Keys} */
export const isKeyed = (value) => Boolean(value && typeof value === "object" && Array.isArray(value.keys));

/**
 * The number at a frame.
 * @param {Keyable | undefined} value
 * @param {number} frame
 * @returns {number | null}
 */
export function at(value, frame) {
  if (value === null || value === undefined) return null;
  if (typeof value === "number") return value;
  const after = value.keys.findIndex((k) => k.frame > frame);
  if (after === 0) return value.keys[0].value;
  if (after < 0) return value.keys[value.keys.length - 1].value;
  const [left, right] = [value.keys[after - 1], value.keys[after]];
  if (value.between === "hold") return left.value;
  let t = (frame - left.frame) / (right.frame - left.frame);
  if (value.between === "smooth") t = t * t * (3 - 2 * t);
  return left.value + (right.value - left.value) * t;
}

/**
 * The value with another number at a frame: keyed values get a key there.
 * @param {Keyable} value
 * @param {number} frame
 * @param {number} number
 * @returns {Keyable}
 */
export function withNumber(value, frame, number) {
  if (!isKeyed(value)) return number;
  const keys = value.keys.filter((k) => k.frame !== frame);
  keys.push({ frame, value: number });
  keys.sort((a, b) => a.frame - b.frame);
  return { keys, between: value.between };
}

/**
 * Add or remove the key at a frame; the last key's removal leaves a plain number.
 * @param {Keyable} value
 * @param {number} frame
 * @returns {Keyable}
 */
export function toggledKey(value, frame) {
  const number = at(value, frame);
  if (!isKeyed(value)) return { keys: [{ frame, value: Number(number) }], between: "linear" };
  const keys = value.keys.filter((k) => k.frame !== frame);
  if (keys.length === value.keys.length) return withNumber(value, frame, Number(number));
  return keys.length ? { keys, between: value.between } : number;
}

/** @param {Keyable} value @param {number} frame */
export const keyState = (value, frame) =>
  !isKeyed(value) ? "none" : value.keys.some((k) => k.frame === frame) ? "here" : "keyed";
