// Who wants which scope of which view. There is one subscription; where two views are wanted (the
// dock's and a panel's), it takes turns whenever something has changed.

import { emit, on, state } from "./store.js";
import { view, viewInfo } from "./view.js";
import { receive, send } from "./wire.js";

/** @import { Scope, ScopeKind, ViewName } from "./wire-types.js" */
/** @typedef {{name: ViewName, extractor: string}} Of what a scope is of */
/** @typedef {{kind: ScopeKind, fn: (scope: Scope) => void, of: () => Of}} Want */
/** @typedef {Of & {kinds: ScopeKind[]}} Group */

/** @type {Set<Want>} */
const wants = new Set();
/** @type {Map<string, string>} what each view's scopes were last made from */
const fresh = new Map();
/** @type {Map<string, Scope>} the last answer for each view */
const last = new Map();
const KEEP = 6;
let subscribed = "";
let stamp = { frame: 0, revision: 0 };

// A signal has to be judged, so the scopes of a view in measuring colours are the plate's.
/** @returns {Of} */
const shownView = () =>
  viewInfo(view.name).signal ? { name: view.name, extractor: view.extractor } : plateView();
/** The plate, for editors of what reads the plate. @returns {Of} */
export const plateView = () => ({ name: "plate", extractor: "" });

/**
 * Want a scope, of the plate unless said; returns a function that ends it.
 * @param {ScopeKind} kind
 * @param {(scope: Scope) => void} fn
 * @param {Want["of"]} [of]
 */
export function wantScope(kind, fn, of = plateView) {
  const want = { kind, fn, of };
  wants.add(want);
  const { name, extractor } = of();
  const known = last.get(`${name}/${extractor}`);
  if (known?.kinds.includes(kind)) queueMicrotask(() => wants.has(want) && fn(known));
  plan();
  return () => {
    wants.delete(want);
    plan();
  };
}
/** Want a scope of the view that is shown. @param {ScopeKind} kind @param {(scope: Scope) => void} fn */
export const wantShown = (kind, fn) => wantScope(kind, fn, shownView);

/** Wants by view. @returns {Map<string, Group>} */
function groups() {
  const out = new Map();
  for (const { kind, of } of wants) {
    const { name, extractor } = of();
    const key = `${name}/${extractor}`;
    const group = out.get(key) ?? { name, extractor, kinds: [] };
    if (!group.kinds.includes(kind)) group.kinds.push(kind);
    out.set(key, group);
  }
  return out;
}

/** What a view's scopes depend on just now. @param {string} name */
const basis = (name) =>
  ["plate", "denoised", "clean_plate"].includes(name) ? `${stamp.frame}` : `${stamp.frame} ${stamp.revision}`;

/** Subscribe to the next view whose scopes are out of date. */
function plan() {
  if (state.link !== "on") return;
  const all = groups();
  if (!all.size) return subscribe("", { name: "plate", extractor: "", kinds: [] });
  for (const [key, group] of all) {
    if (fresh.get(key) === basis(group.name) + group.kinds) continue;
    return subscribe(key, group);
  }
}

/** @param {string} key @param {Group} group */
function subscribe(key, { name, extractor, kinds }) {
  const request = `${key} ${kinds}`;
  if (request === subscribed) return;
  subscribed = request;
  send({ type: "scopes", kinds, name, extractor });
}

receive("scope", (m) => {
  send({ type: "ack_scopes", sequence: m.sequence });
  const key = `${m.name}/${m.extractor}`;
  stamp = { frame: m.frame, revision: Math.max(stamp.revision, m.revision) };
  last.delete(key);
  last.set(key, m);
  if (last.size > KEEP) {
    const oldest = String(last.keys().next().value);
    last.delete(oldest);
    fresh.delete(oldest);
  }
  fresh.set(key, basis(m.name) + (groups().get(key)?.kinds ?? ""));
  for (const want of [...wants]) {
    const { name, extractor } = want.of();
    if (name === m.name && extractor === m.extractor && m.kinds.includes(want.kind)) want.fn(m);
  }
  emit("scope", m);
  plan();
});

on("picture", ({ meta }) => {
  if (meta.frame === stamp.frame && meta.revision === stamp.revision) return;
  stamp = { frame: meta.frame, revision: meta.revision };
  plan();
});
on("view", () => {
  // What is known of the view that is now shown is not asked for again.
  for (const want of [...wants]) {
    const { name, extractor } = want.of();
    const known = last.get(`${name}/${extractor}`);
    if (want.of === shownView && known?.kinds.includes(want.kind)) want.fn(known);
  }
  plan();
});
on("ready", () => {
  subscribed = "";
  fresh.clear();
  last.clear();
  plan();
});
