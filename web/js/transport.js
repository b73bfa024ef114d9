// Frames: the strip with what is in memory, play, loop, in and out, step, dropped frames.

import { byId, button, dropdown, h, icon } from "./dom.js";
import { numberBox } from "./controls.js";
import { counted } from "./paths.js";
import { frameShown, on, paced, perFrame, state } from "./store.js";
import { stopFollowing } from "./view.js";
import { send } from "./wire.js";

const place = byId("transport");
const LOOPS = /** @type {[string, string][]} */ ([
  ["loop", "Loop"],
  ["once", "Once"],
  ["back_and_forth", "Back and forth"],
]);

/** @param {Partial<import("./wire-types.js").Transport>} what */
function tell(what) {
  stopFollowing();
  send({ type: "transport", ...what });
}
const seek = paced(30, (/** @type {number} */ frame) => tell({ frame }));

/** @param {number} frame */
export const goTo = (frame) => tell({ frame });
/** While playing, a step is from the frame that is seen. @param {number} by */
export const stepBy = (by) =>
  tell(state.playhead.playing ? { playing: false, frame: frameShown() + by } : { step: by });
/** Pausing stays on the frame that is seen: the service may have come further. */
export const playOrPause = () =>
  tell(state.playhead.playing ? { playing: false, frame: frameShown() } : { playing: true });

const bed = h("div", { class: "bed" });
const ends = h("div", { class: "ends" });
const head = h("div", { class: "head" });
const tip = h("div", { class: "tip", hidden: true });
const ticks = h("div");
const strip = h(
  "div",
  { class: "timeline", role: "slider", tabIndex: 0, "aria-label": "Frame" },
  bed,
  ends,
  ticks,
  head,
  tip,
);
const play = button({ label: "Play", icon: "play", onclick: playOrPause });
const loop = dropdown({
  label: "At the end",
  options: LOOPS,
  value: "loop",
  onpick: (value) => tell({ loop: /** @type {typeof state.playhead.loop} */ (value) }),
});
const frameBox = numberBox("Frame number", { step: 1, low: -2147483648, high: 2147483647 }, (v) =>
  tell({ frame: Math.round(v) }),
);
const total = h("span", { class: "quiet" });
const late = h("span", { class: "late", role: "status" });
/** Where notes are pinned and listed: beside the frames, so that it is always in reach. */
export const noting = h("div", { class: "group", role: "group", "aria-label": "Notes" });
const whole = button({
  label: "Play the whole shot",
  icon: "close",
  class: "whole",
  onclick: () => tell({ first: state.shot.first, last: state.shot.last }),
});
const group = (/** @type {string} */ label, /** @type {Node[]} */ ...children) =>
  h("div", { class: "group", role: "group", "aria-label": label }, ...children);

place.append(
  h(
    "div",
    { class: "transport" },
    h(
      "div",
      { class: "row" },
      group(
        "Play",
        button({ label: "One frame back", icon: "back", onclick: () => stepBy(-1) }),
        play,
        button({ label: "One frame on", icon: "on", onclick: () => stepBy(1) }),
      ),
      group(
        "In and out",
        button({
          label: "Play from this frame (in)",
          icon: "start",
          onclick: () => tell({ first: Math.min(frameShown(), state.playhead.last) }),
        }),
        button({
          label: "Play to this frame (out)",
          icon: "end",
          onclick: () => tell({ last: Math.max(frameShown(), state.playhead.first) }),
        }),
        whole,
      ),
    ),
    strip,
    h("div", { class: "frames" }, frameBox, total, late, loop, noting),
  ),
);

const count = () => Math.max(1, state.shot.last - state.shot.first + 1);
const share = (/** @type {number} */ frame) => (frame - state.shot.first + 0.5) / count();

/** @param {PointerEvent} e */
function frameAt(e) {
  const r = strip.getBoundingClientRect();
  const t = Math.min(0.999999, Math.max(0, (e.clientX - r.left) / r.width));
  return state.shot.first + Math.floor(t * count());
}

let dragging = false;
strip.addEventListener("pointerdown", (/** @type {PointerEvent} */ e) => {
  if (!state.shot || e.button !== 0) return;
  dragging = true;
  strip.setPointerCapture(e.pointerId);
  scrub(e);
});
strip.addEventListener("pointermove", (/** @type {PointerEvent} */ e) => dragging && scrub(e));
for (const type of ["pointerup", "pointercancel"])
  strip.addEventListener(type, () => {
    dragging = false;
    tip.hidden = true;
    show();
  });

/** @param {PointerEvent} e */
function scrub(e) {
  const frame = frameAt(e);
  tip.hidden = false;
  tip.textContent = String(frame);
  head.style.left = tip.style.left = `${share(frame) * 100}%`;
  seek(frame);
}

strip.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
  const by = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10 }[e.key];
  if (by) stepBy(by);
  else if (e.key === "Home") goTo(state.playhead.first);
  else if (e.key === "End") goTo(state.playhead.last);
  else if (e.key === " " || e.key === "Enter") playOrPause();
  else return;
  e.preventDefault();
});

const show = perFrame(() => {
  if (!state.shot) return;
  const p = state.playhead;
  const frame = frameShown();
  if (!dragging) head.style.left = `${share(frame) * 100}%`;
  frameBox.show(frame);
  total.textContent = `${state.shot.first}–${state.shot.last}`;
  loop.value = p.loop;
  play.replaceChildren(icon(p.playing ? "pause" : "play"));
  play.title = p.playing ? "Pause" : "Play";
  play.setAttribute("aria-label", play.title);
  late.textContent = p.playing || p.dropped ? `${p.dropped} dropped` : "";
  late.title = "Frames left out since playing began, to keep real time";
  ends.hidden = whole.hidden = p.first <= state.shot.first && p.last >= state.shot.last;
  ends.style.left = `${(share(p.first) - 0.5 / count()) * 100}%`;
  ends.style.width = `${((p.last - p.first + 1) / count()) * 100}%`;
  for (const [name, value] of [
    ["valuemin", state.shot.first],
    ["valuemax", state.shot.last],
    ["valuenow", frame],
    ["valuetext", `Frame ${frame} of ${state.shot.first} to ${state.shot.last}`],
  ])
    strip.setAttribute(`aria-${name}`, String(value));
});

function showHeld() {
  if (!state.shot) return;
  bed.replaceChildren(
    ...state.cached.map((/** @type {number[]} */ [a, b]) => {
      const node = h("div", { class: "held" });
      node.style.left = `${((a - state.shot.first) / count()) * 100}%`;
      node.style.width = `${((b - a + 1) / count()) * 100}%`;
      return node;
    }),
  );
  const held = state.cached.reduce(
    (/** @type {number} */ n, /** @type {number[]} */ [a, b]) => n + b - a + 1,
    0,
  );
  bed.title = `${held} of ${counted(count(), "frame")} in memory`;
}

function showTicks() {
  if (!state.shot) return;
  const frames = new Set(state.notes.filter((n) => !n.done).map((n) => n.frame));
  ticks.replaceChildren(
    ...[...frames].map((f) => {
      const node = h("div", { class: "tick", title: `Note at frame ${f}` });
      node.style.left = `${share(Number(f)) * 100}%`;
      return node;
    }),
  );
}
on("shot playhead frame", show);
on("shot cached", showHeld);
on("shot notes", showTicks);
