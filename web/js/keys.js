// Values that change over the shot: a number, or keys over frames.

/** @typedef {{keys: {frame: number, value: number}[], between: string}} Keys */

/** @param {any} value */
export const isKeyed = (value) => Boolean(value && typeof value === "object" && Array.isArray(value.keys));

/** The number at a frame. @param {number | Keys | null} value @param {number} frame @returns {number | null} */
export function at(value, frame) {
  if (value === null || typeof value === "number" || value === undefined)
    return /** @type {any} */ (value ?? null);
  const after = value.keys.findIndex((k) => k.frame > frame);
  if (after === 0) return value.keys[0].value;
  if (after < 0) return value.keys[value.keys.length - 1].value;
  const [left, right] = [value.keys[after - 1], value.keys[after]];
  if (value.between === "hold") return left.value;
  let t = (frame - left.frame) / (right.frame - left.frame);
  if (value.between === "smooth") t = t * t * (3 - 2 * t);
  return left.value + (right.value - left.value) * t;
}

/** The value with another number at a frame: keyed values get a key there. @param {any} value @param {number} frame @param {number} number */
export function withNumber(value, frame, number) {
  if (!isKeyed(value)) return number;
  const keys = value.keys.filter((/** @type {any} */ k) => k.frame !== frame);
  keys.push({ frame, value: number });
  keys.sort((/** @type {any} */ a, /** @type {any} */ b) => a.frame - b.frame);
  return { keys, between: value.between };
}

/** Add or remove the key at a frame; the last key's removal leaves a plain number. @param {any} value @param {number} frame */
export function toggledKey(value, frame) {
  const number = at(value, frame);
  if (!isKeyed(value)) return { keys: [{ frame, value: number }], between: "linear" };
  const keys = value.keys.filter((/** @type {any} */ k) => k.frame !== frame);
  if (keys.length === value.keys.length) return withNumber(value, frame, Number(number));
  return keys.length ? { keys, between: value.between } : number;
}

/** @param {any} value @param {number} frame */
export const keyState = (value, frame) =>
  !isKeyed(value) ? "none" : value.keys.some((/** @type {any} */ k) => k.frame === frame) ? "here" : "keyed";
