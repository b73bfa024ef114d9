// The server's state messages, put into the store.

import { adopt } from "./edits.js";
import { say } from "./notice.js";
import { emit, state } from "./store.js";
import { receive } from "./wire.js";

/** @param {any} server */
function takeState(server) {
  const { recipe, revision, undo, redo, ...rest } = server;
  const other = !state.shot || state.shot.name !== rest.shot.name;
  if (other) state.samples = [];
  Object.assign(state, rest);
  adopt({ recipe, revision, undo, redo });
  for (const topic of ["shot", "playhead", "people", "devices", "notes", "cached", "jobs", "takes", "status", "samples"]) emit(topic);
}

receive("welcome", (m) => {
  state.you = m.you;
  takeState(m.state);
  emit("you");
  emit("ready");
});
receive("state", (m) => {
  takeState(m.state);
  emit("ready");
});

/** @param {string} type @param {string} topic @param {(m: any) => void} put */
const keep = (type, topic, put) => receive(type, (m) => { put(m); emit(topic); });

keep("playhead", "playhead", ({ type, ...playhead }) => (state.playhead = playhead));
keep("people", "people", (m) => (state.people = m.people));
keep("devices", "devices", (m) => (state.devices = m.devices));
keep("note", "notes", ({ note }) => {
  const known = state.notes.some((/** @type {any} */ n) => n.note === note.note);
  state.notes = known ? state.notes.map((/** @type {any} */ n) => (n.note === note.note ? note : n)) : [...state.notes, note];
});
keep("note_gone", "notes", (m) => (state.notes = state.notes.filter((/** @type {any} */ n) => n.note !== m.note)));
keep("cached", "cached", (m) => (state.cached = m.ranges));
keep("takes", "takes", (m) => {
  const known = new Set(state.takes.filter((/** @type {any} */ t) => t.ready).map((/** @type {any} */ t) => t.take));
  const fresh = m.takes.filter((/** @type {any} */ t) => t.ready && !known.has(t.take) && !t.open);
  state.takes = m.takes;
  for (const take of fresh) emit("newtake", take);
});
keep("status", "status", (m) => {
  Object.assign(state, { engine: m.engine, timing: m.timing, store: m.store, message: m.message });
});
keep("job", "jobs", (m) => {
  const at = state.jobs.findIndex((/** @type {any} */ j) => j.job === m.job);
  if (at < 0) state.jobs = [...state.jobs, m];
  else state.jobs[at] = m;
});
receive("error", (m) => say(m.message));
