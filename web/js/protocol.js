// What page and server must say alike: numbers of the protocol, a picture's header. A test compares
// them with the server's.

export const PROTOCOL = 1;
/** Widths that the server makes pictures in. */
export const WIDTHS = [640, 960, 1280, 1920, 2560];
/** Bits of a picture's flags; bits 4 and 5 hold the encoding's place in ENCODINGS. */
export const FLAG = { moving: 1, draft: 2, stress: 4, port1: 8, missing: 64, fallback: 128 };
export const ENCODINGS = ["image/jpeg", "image/webp", "image/png"];
/** Why the server closes a connection. */
export const CLOSED = { protocol: 4400, signed_out: 4401, foreign: 4403 };

const MAGIC = 0x46474456; // "VDGF" read as little-endian
const HEADER_BYTES = 64;

/**
 * What a picture's header says. port: 0, or 1 for the wipe's other side.
 * @typedef {object} Header
 * @property {number} length of the header, bytes
 * @property {number} flags
 * @property {number} frame
 * @property {number} revision of the recipe
 * @property {number} viewId
 * @property {number} width
 * @property {number} height
 * @property {number} quality
 * @property {import("./wire-types.js").Box} region
 * @property {number} renderUs
 * @property {number} encodeUs
 * @property {number} sequence
 * @property {0 | 1} port
 * @property {string} mime
 */

/**
 * Read the header of a picture: little-endian `<4sHHIiQHHHHiiiiIIQ`; null where there is none.
 * @param {ArrayBuffer} buffer
 * @returns {Header | null}
 */
export function readHeader(buffer) {
  if (buffer.byteLength < HEADER_BYTES) return null;
  const d = new DataView(buffer);
  if (d.getUint32(0, true) !== MAGIC || d.getUint16(4, true) !== PROTOCOL) return null;
  const flags = d.getUint32(8, true);
  return {
    length: d.getUint16(6, true),
    flags,
    frame: d.getInt32(12, true),
    revision: Number(d.getBigUint64(16, true)),
    viewId: d.getUint16(24, true),
    width: d.getUint16(26, true),
    height: d.getUint16(28, true),
    quality: d.getUint16(30, true),
    region: [d.getInt32(32, true), d.getInt32(36, true), d.getInt32(40, true), d.getInt32(44, true)],
    renderUs: d.getUint32(48, true),
    encodeUs: d.getUint32(52, true),
    sequence: Number(d.getBigUint64(56, true)),
    port: flags & FLAG.port1 ? 1 : 0,
    mime: ENCODINGS[(flags >> 4) & 3],
  };
}
