// The connection: opens, greets, reconnects, hands out messages and pictures. The only module that
// knows the socket; `edits.js` is the only one that sends writes.

import { SILENT_MS } from "./limits.js";
import { CLOSED, PROTOCOL, readHeader } from "./protocol.js";
import { emit, state } from "./store.js";

const PATIENCE_MS = 20000;
const RETRY_MS = [250, 500, 1000, 2000, 3000];

/** @typedef {import("./wire-types.js").ClientMessage} ClientMessage */
/** @typedef {import("./wire-types.js").ServerMessage} ServerMessage */

/**
 * A picture's header, and the key of the view that it shows.
 * @typedef {import("./protocol.js").Header & {key: string}} Meta
 */

/** @typedef {import("./wire-types.js").Answers} Answers */

/** @typedef {{resolve: (answer: ServerMessage) => void, reject: (error: Error) => void}} Waiting */

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
/** @type {Map<string, Waiting>} */
const asked = new Map();
/** @type {Map<string, (message: ServerMessage) => void>} */
const handlers = new Map();
/** @type {(header: import("./protocol.js").Header, data: Uint8Array<ArrayBuffer>) => void} */
let takePicture = () => {};

/**
 * Handle messages of a type.
 * @template {ServerMessage["type"]} T
 * @param {T} type
 * @param {(message: Extract<ServerMessage, {type: T}>) => void} fn
 */
export function receive(type, fn) {
  handlers.set(type, /** @type {(message: ServerMessage) => void} */ (fn));
}

/** @param {typeof takePicture} fn */
export function receivePictures(fn) {
  takePicture = fn;
}

/**
 * Send a message; returns false when there is no connection.
 * @param {ClientMessage} message
 */
export function send(message) {
  if (!socket || socket.readyState !== WebSocket.OPEN || state.link !== "on") return false;
  socket.send(JSON.stringify(message));
  return true;
}

/**
 * Ask and wait for the answer with the same id.
 * @template {keyof Answers} T
 * @param {{type: T} & Omit<Extract<ClientMessage, {type: T}>, "id" | "type">} message
 * @param {number} [patience_ms]
 * @returns {Promise<Answers[T]>}
 */
export function ask(message, patience_ms = PATIENCE_MS) {
  const id = `q${nextId++}`;
  return new Promise((resolve, reject) => {
    const whole = /** @type {ClientMessage} */ (/** @type {unknown} */ ({ ...message, id }));
    if (!send(whole)) return reject(new Error("The server cannot be reached just now."));
    asked.set(id, { resolve: (answer) => resolve(/** @type {Answers[T]} */ (answer)), reject });
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

/** @param {ServerMessage} message */
function hear(message) {
  if (message.type === "welcome") {
    tries = 0;
    setLink("on", "");
  }
  const id = "id" in message ? message.id : message.type === "error" ? message.about : null;
  const waiting = id ? asked.get(id) : null;
  if (id && waiting) {
    asked.delete(id);
    if (message.type === "error") return waiting.reject(new Error(message.message));
    waiting.resolve(message);
  }
  handlers.get(message.type)?.(message);
}

/** @param {ArrayBuffer} buffer */
function see(buffer) {
  const meta = readHeader(buffer);
  if (meta) takePicture(meta, new Uint8Array(buffer, meta.length));
}

/** @param {number} code */
function closed(code) {
  for (const { reject } of asked.values())
    reject(new Error("The connection was lost before the answer came."));
  asked.clear();
  if (code === CLOSED.signed_out) {
    closedForGood = true;
    return setLink("gone", "This link no longer works. Ask the operator for a new one.");
  }
  if (code === CLOSED.foreign || code === CLOSED.protocol) {
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

/** @param {"trying" | "on" | "gone"} link @param {string} sentence */
function setLink(link, sentence) {
  state.link = link;
  state.trouble = sentence;
  emit("link");
}
