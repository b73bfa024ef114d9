// The server's state messages, put into the store.

import { adopt } from "./edits.js";
import { say } from "./notice.js";
import { emit, known, state } from "./store.js";
import { receive } from "./wire.js";

/** @import { State } from "./wire-types.js" */

const NEWS = /** @type {const} */ ([
  ...["shot", "playhead", "people", "devices", "notes"],
  ...["cached", "jobs", "watched", "status", "samples"],
]);

/** @param {State} server */
function takeState(server) {
  const { recipe, revision, undo, redo, ...rest } = server;
  const other = !known() || state.shot.name !== rest.shot.name;
  if (other) Object.assign(state, { samples: [], shown: null });
  Object.assign(state, rest);
  adopt({ recipe, revision, undo, redo });
  for (const topic of NEWS) emit(topic);
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

receive("playhead", (m) => {
  state.playhead = m;
  emit("playhead");
});
receive("people", (m) => {
  state.people = m.people;
  emit("people");
});
receive("devices", (m) => {
  state.devices = m.devices;
  emit("devices");
});
receive("note", ({ note }) => {
  const known = state.notes.some((n) => n.note === note.note);
  state.notes = known ? state.notes.map((n) => (n.note === note.note ? note : n)) : [...state.notes, note];
  emit("notes");
});
receive("note_gone", (m) => {
  state.notes = state.notes.filter((n) => n.note !== m.note);
  emit("notes");
});
receive("cached", (m) => {
  state.cached = m.ranges;
  emit("cached");
});
receive("watched", (m) => {
  const ready = new Set(state.watched.filter((t) => t.ready).map((t) => t.shot));
  const fresh = m.shots.filter((t) => t.ready && !ready.has(t.shot) && !t.open);
  state.watched = m.shots;
  for (const shot of fresh) emit("newshot", shot);
  emit("watched");
});
receive("status", (m) => {
  Object.assign(state, { engine: m.engine, timing: m.timing, store: m.store, message: m.message });
  emit("status");
});
receive("job", (m) => {
  const at = state.jobs.findIndex((j) => j.job === m.job);
  if (at < 0) state.jobs = [...state.jobs, m];
  else state.jobs[at] = m;
  emit("jobs");
});
receive("error", (m) => say(m.message));
