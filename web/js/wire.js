// The connection: opens, greets, reconnects, hands out messages and pictures. The only module that
// knows the socket; `edits.js` is the only one that sends writes.

import { emit, state } from "./store.js";

export const PROTOCOL = 1;
const MAGIC = 0x46474456; // "VDGF" read as little-endian
const PATIENCE_MS = 20000;
const RETRY_MS = [250, 500, 1000, 2000, 3000];
/** The server says something every second; a connection silent for longer than this is lost. A busy
 * server may take a little longer to say welcome. */
const SILENT_MS = { on: 8000, off: 12000 };

/** Bits of a picture's flags. */
export const FLAG = { moving: 1, draft: 2, stress: 4, port1: 8, missing: 64, fallback: 128 };
const ENCODINGS = ["image/jpeg", "image/webp", "image/png"];

export const client = Array.from(crypto.getRandomValues(new Uint8Array(8)), (b) =>
  b.toString(16).padStart(2, "0"),
).join("");

/** @type {WebSocket | null} */
let socket = null;
let tries = 0;
let retryTimer = 0;
let closedForGood = false;
let heardAt = 0;
let nextId = 1;
/** @type {Map<string, {resolve: (m: any) => void, reject: (e: Error) => void}>} */
const asked = new Map();
/** @type {Map<string, (message: any) => void>} */
const handlers = new Map();
/** @type {(meta: any, data: Uint8Array) => void} */
let takePicture = () => {};

/** Handle messages of a type. @param {string} type @param {(message: any) => void} fn */
export function receive(type, fn) {
  handlers.set(type, fn);
}

/** @param {(meta: any, data: Uint8Array) => void} fn */
export function receivePictures(fn) {
  takePicture = fn;
}

/** Send a message; returns false when there is no connection. @param {Record<string, any>} message */
export function send(message) {
  if (!socket || socket.readyState !== WebSocket.OPEN || state.link !== "on") return false;
  socket.send(JSON.stringify(message));
  return true;
}

/** Ask and wait for the answer with the same id. @param {Record<string, any>} message @param {number} [patience_ms] @returns {Promise<any>} */
export function ask(message, patience_ms = PATIENCE_MS) {
  const id = `q${nextId++}`;
  return new Promise((resolve, reject) => {
    if (!send({ ...message, id })) return reject(new Error("The server cannot be reached just now."));
    asked.set(id, { resolve, reject });
    setTimeout(() => {
      if (asked.delete(id)) reject(new Error("The server did not answer in time."));
    }, patience_ms);
  });
}

export function connect() {
  clearTimeout(retryTimer);
  const scheme = location.protocol === "https:" ? "wss:" : "ws:";
  socket = new WebSocket(`${scheme}//${location.host}/ws`);
  socket.binaryType = "arraybuffer";
  heardAt = performance.now();
  const mine = socket;
  mine.addEventListener("open", () => {
    mine.send(
      JSON.stringify({ type: "hello", protocol: PROTOCOL, client, name: localStorage.getItem("name") ?? "" }),
    );
  });
  mine.addEventListener("message", (event) => {
    if (mine !== socket) return;
    heardAt = performance.now();
    if (typeof event.data === "string") hear(JSON.parse(event.data));
    else see(event.data);
  });
  mine.addEventListener("close", (event) => mine === socket && closed(event.code));
}

/** @param {any} message */
function hear(message) {
  const waiting = message.id ?? message.about;
  if (message.type === "welcome") {
    tries = 0;
    setLink("on", "");
  }
  if (message.type === "error" && asked.has(message.about)) {
    asked.get(message.about)?.reject(new Error(message.message));
    asked.delete(message.about);
    return;
  }
  if (waiting && asked.has(waiting) && message.type !== "error") {
    asked.get(waiting)?.resolve(message);
    asked.delete(waiting);
  }
  handlers.get(message.type)?.(message);
}

/** @param {ArrayBuffer} buffer */
function see(buffer) {
  const meta = readHeader(buffer);
  if (meta) takePicture(meta, new Uint8Array(buffer, meta.length));
}

/** Read the header of a picture: little-endian `<4sHHIiQHHHHiiiiIIQ`. @param {ArrayBuffer} buffer */
export function readHeader(buffer) {
  const d = new DataView(buffer);
  if (buffer.byteLength < 64 || d.getUint32(0, true) !== MAGIC || d.getUint16(4, true) !== PROTOCOL)
    return null;
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

/** @param {number} code */
function closed(code) {
  for (const { reject } of asked.values())
    reject(new Error("The connection was lost before the answer came."));
  asked.clear();
  if (code === 4401) {
    closedForGood = true;
    return setLink("gone", "This link no longer works. Ask the operator for a new one.");
  }
  if (code === 4403 || code === 4400) {
    closedForGood = true;
    return setLink(
      "gone",
      "The server refused this page. Reload it; if that does not help, open the link again.",
    );
  }
  if (tries === 1) probe();
  const wait = RETRY_MS[Math.min(tries++, RETRY_MS.length - 1)];
  if (tries > 2)
    setLink("gone", "The server is not answering. Your edits are kept here and are sent when it is back.");
  else setLink("trying", "");
  clearTimeout(retryTimer);
  retryTimer = setTimeout(connect, wait);
}

/** A refused handshake tells no reason: ask over HTTP whether this page may still come in. */
async function probe() {
  const answer = await fetch("/api/state").catch(() => null);
  if (answer?.status !== 401 && answer?.status !== 403) return;
  clearTimeout(retryTimer);
  closedForGood = true;
  setLink("gone", "This link no longer works. Ask the operator for a new one.");
}

function drop() {
  const mute = socket;
  socket = null;
  mute?.close();
}

/** A connection can be lost without a word, e.g. when a tablet leaves the network: notice the silence. */
setInterval(() => {
  if (
    !socket ||
    socket.readyState === WebSocket.CLOSED ||
    performance.now() - heardAt < SILENT_MS[state.link === "on" ? "on" : "off"]
  )
    return;
  drop();
  closed(1006);
}, 1000);

/** A person asks to try at once. */
export function tryNow() {
  if (closedForGood || state.link === "on") return;
  drop();
  connect();
}

/** Whether the page keeps trying by itself. */
export const keepsTrying = () => !closedForGood;

/** Try again now, e.g. when the page becomes visible or the network is back. */
export function hurry() {
  if (closedForGood || state.link === "on" || socket?.readyState === WebSocket.CONNECTING) return;
  connect();
}

/** @param {string} link @param {string} sentence */
function setLink(link, sentence) {
  state.link = link;
  state.trouble = sentence;
  emit("link");
}
