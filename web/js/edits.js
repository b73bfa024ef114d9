// Changing the recipe. An edit shows at once; it stays in a list until the server has accepted it,
// and is sent again after a lost connection, so none is lost and none is applied twice.

import { LABEL_LENGTH } from "./limits.js";
import { copy, getAt, indexOf, newId, setAt, touches } from "./paths.js";
import { emit, operator, state } from "./store.js";
import { receive, send } from "./wire.js";
import { say } from "./notice.js";

/** @import { Accepted, Changed, InsertOp, MoveOp, Recipe, RemoveOp, SetOp } from "./wire-types.js" */

/** @typedef {SetOp | InsertOp | RemoveOp | MoveOp} WireOp */
/**
 * A change, its path still a list of keys.
 * @template {WireOp} W
 * @typedef {W extends WireOp ? Omit<W, "path"> & {path: string[]} : never} Unpacked
 */
/** @typedef {Unpacked<WireOp>} Op */

/**
 * A write that the server has not answered yet.
 * @typedef {object} Pending
 * @property {number} client_seq
 * @property {number} seen
 * @property {Op[]} ops
 * @property {string} label
 * @property {boolean} moving
 * @property {string} gesture
 * @property {number} at
 * @property {boolean} sent
 */

const SEND_EVERY_MS = 14;
const KEEP_LATENCIES = 15;

/** @type {Recipe} the recipe as the server has it; there from its welcome on */
let confirmed;
/** @type {Pending[]} */
let pending = [];
let seq = Date.now();
let lastSent = 0;
let timer = 0;
/** @type {{revision: number, at: number}[]} edits accepted, their picture not yet drawn */
let awaited = [];
/** @type {number[]} */
const latencies = [];

export const unsaved = () => pending.length;
export const newGesture = () => newId();

/** Change the recipe. @param {Op[]} ops @param {{label: string, moving?: boolean, gesture?: string}} how */
export function change(ops, { label, moving = false, gesture = "" }) {
  if (!operator()) return;
  const last = pending[pending.length - 1];
  const same =
    last &&
    !last.sent &&
    gesture &&
    last.gesture === gesture &&
    last.ops.every((op, i) => op.op === "set" && String(op.path) === String(ops[i]?.path));
  if (same && last.ops.length === ops.length) Object.assign(last, { ops: copy(ops), moving });
  else
    pending.push({
      client_seq: ++seq,
      seen: state.revision,
      ops: copy(ops),
      label: label.slice(0, LABEL_LENGTH),
      moving,
      gesture,
      at: performance.now(),
      sent: false,
    });
  for (const op of ops) apply(state.recipe, op);
  emit(
    "recipe",
    ops.map((op) => op.path),
  );
  flush(!moving);
}

/**
 * Set one value.
 * @param {string[]} path
 * @param {import("./wire-types.js").Value} value
 * @param {{label: string, moving?: boolean, gesture?: string}} how
 */
export function set(path, value, how) {
  change([{ op: "set", path, value }], how);
}

/**
 * The change that sets a value.
 * @param {string[]} path
 * @param {import("./wire-types.js").Value} value
 * @returns {Op}
 */
export const setOp = (path, value) => ({ op: "set", path, value });

/** @param {boolean} now */
function flush(now) {
  const wait = lastSent + SEND_EVERY_MS - performance.now();
  clearTimeout(timer);
  if (now || wait <= 0) sendAll();
  else timer = setTimeout(sendAll, wait);
}

function sendAll() {
  lastSent = performance.now();
  for (const write of pending) {
    if (write.sent) continue;
    const ops = write.ops.map((op) => /** @type {WireOp} */ ({ ...op, path: op.path.join("/") }));
    const { client_seq, seen, label, moving, gesture } = write;
    if (!send({ type: "write", client_seq, seen, ops, label, moving, gesture })) return;
    write.sent = true;
  }
}

/** Undo or redo. @param {"undo" | "redo"} type */
export function travel(type) {
  sendAll();
  send({ type, client_seq: ++seq });
}

/** @param {Recipe} recipe @param {Op} op */
function apply(recipe, op) {
  if (op.op === "set")
    return op.path.length ? setAt(recipe, op.path, copy(op.value)) : Object.assign(recipe, copy(op.value));
  const list = getAt(recipe, op.op === "insert" ? op.path : op.path.slice(0, -1));
  if (!Array.isArray(list)) return false;
  let item = op.op === "insert" ? copy(op.item) : null;
  const id = op.op === "insert" ? String(op.item.id) : op.path[op.path.length - 1];
  const at = indexOf(list, id);
  if (op.op === "insert" && at >= 0) return true;
  if (op.op !== "insert") {
    if (at < 0) return false;
    [item] = list.splice(at, 1);
  }
  if (op.op !== "remove")
    list.splice(op.before ? Math.max(0, indexOf(list, op.before)) : list.length, 0, item);
  return true;
}

/** The recipe as the server has it, plus what is still on the way. */
function rebuild() {
  state.recipe = copy(confirmed);
  for (const write of pending) for (const op of write.ops) apply(state.recipe, op);
}

/**
 * Take the recipe from `welcome` or `state`.
 * @param {{recipe: Recipe, revision: number, undo: string | null, redo: string | null}} server
 */
export function adopt(server) {
  confirmed = copy(server.recipe);
  state.revision = server.revision;
  state.undo = server.undo;
  state.redo = server.redo;
  for (const write of pending) write.sent = false;
  rebuild();
  emit("recipe", [[]]);
  emit("history");
  sendAll();
}

receive("accepted", (m) => {
  const at = pending.findIndex((w) => w.client_seq === m.client_seq);
  if (at >= 0) {
    const [write] = pending.splice(at, 1);
    for (const op of write.ops) apply(confirmed, op);
    awaited.push({ revision: m.revision, at: write.at });
  }
  settle(m);
});

receive("changed", (m) => {
  for (const { path, value } of m.changes) {
    if (!path) confirmed = copy(value);
    else apply(confirmed, { op: "set", path: path.split("/"), value });
  }
  settle(m);
  rebuild();
  emit(
    "recipe",
    m.changes.map((c) => (c.path ? c.path.split("/") : [])),
  );
});

receive("refused", (m) => {
  const at = pending.findIndex((w) => w.client_seq === m.client_seq);
  const dropped = at >= 0 ? pending.splice(at, 1)[0] : null;
  for (const { path, value } of m.current ?? []) {
    if (path) apply(confirmed, { op: "set", path: path.split("/"), value });
    else confirmed = copy(value);
  }
  state.revision = Math.max(state.revision, m.revision);
  rebuild();
  emit("recipe", [[]]);
  emit("history");
  if (m.reason === "conflict" && dropped) {
    const { ops, label } = dropped;
    say(`Somebody else changed this at the same time, so your change (${label}) was not made: ${m.message}`, {
      text: "Make it anyway",
      run: () => change(ops, { label }),
    });
  } else if (m.reason !== "nothing") say(m.message);
});

/** @param {Accepted | Changed} m */
function settle(m) {
  state.revision = Math.max(state.revision, m.revision);
  state.undo = m.undo;
  state.redo = m.redo;
  emit("history");
}

/** Called when a picture was drawn; returns the latency it ended, or null. @param {number} revision */
export function drawn(revision) {
  const met = awaited.filter((a) => a.revision <= revision);
  if (!met.length) return null;
  awaited = awaited.filter((a) => a.revision > revision);
  const ms = performance.now() - met[met.length - 1].at;
  latencies.push(ms);
  if (latencies.length > KEEP_LATENCIES) latencies.shift();
  state.latency = [...latencies].sort((a, b) => a - b)[latencies.length >> 1];
  emit("latency", ms);
  emit("status");
  return ms;
}

/**
 * Whether a list of changed paths concerns a place.
 * @param {string[][] | undefined} changed
 * @param {string[]} path
 */
export const concerns = (changed, path) => !changed || changed.some((c) => touches(c, path));
