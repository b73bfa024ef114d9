// Prints what modules of the page export, and what the page reads from picture headers, as JSON.
// Usage: node constants.mjs HEADER_AS_HEX …

import * as limits from "../../web/js/limits.js";
import * as protocol from "../../web/js/protocol.js";

const headers = process.argv.slice(2).map((hex) => {
  const bytes = Uint8Array.from(hex.match(/../g) ?? [], (pair) => Number.parseInt(pair, 16));
  return protocol.readHeader(bytes.buffer);
});
console.log(JSON.stringify({ ...limits, ...protocol, headers }));
