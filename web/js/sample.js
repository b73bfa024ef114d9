// Sampling colours from the picture: a tap takes a point, a drag a box. Values come from the server,
// at full resolution, scene-linear and as code values of the recording.

import { byId, h, s } from "./dom.js";
import { take } from "./gestures.js";
import { addOutline, drawOn, outline, putMark, removeMark } from "./marks.js";
import { insideFrame, toStage, underPointer } from "./picture.js";
import { emit, frameShown, on, state } from "./store.js";
import { sayError } from "./notice.js";
import { view } from "./view.js";
import { ask } from "./wire.js";
import { figure } from "./paths.js";

const KEEP = 6;
const DRAG_PX = 5;

/** @import { Taken } from "./store.js" */
/** @import { Box, Sampled, ViewName } from "./wire-types.js" */

const rubber = addOutline(s("path", { class: "box" }));
/** @type {number[] | null} */
let from = null;
/** @type {number[]} */
let to = [0, 0];
drawOn(() => rubber.setAttribute("d", from ? outline(corners(from, to)) : ""));

/** @param {number[]} a @param {number[]} b */
const corners = (a, b) => [
  [a[0], a[1]],
  [b[0], a[1]],
  [b[0], b[1]],
  [a[0], b[1]],
];

/** Box of whole pixels between two places. @param {number[]} a @param {number[]} b @returns {Box} */
function pixelBox(a, b) {
  const { width, height } = state.shot;
  const cut = (/** @type {number} */ v, /** @type {number} */ most) =>
    Math.min(most - 1, Math.max(0, Math.floor(v)));
  const x = [cut(a[0], width), cut(b[0], width)].sort((p, q) => p - q);
  const y = [cut(a[1], height), cut(b[1], height)].sort((p, q) => p - q);
  return [x[0], y[0], x[1] + 1, y[1] + 1];
}

/** The tool. @param {string} hint @param {(taken: Taken) => void} ontaken @param {boolean} once */
function tool(hint, ontaken, once) {
  return {
    name: "sample",
    hint,
    two: true,
    keyHint: "Enter sets one corner, then the other; twice takes a pixel",
    down: (/** @type {number[]} */ at) => {
      from = to = at;
    },
    move: (/** @type {number[]} */ at) => {
      to = at;
      rubber.setAttribute("d", outline(corners(from ?? to, to)));
    },
    cancel: () => {
      from = null;
      rubber.setAttribute("d", "");
    },
    drop: () => {
      from = null;
      rubber.setAttribute("d", "");
    },
    async up(/** @type {number[]} */ at) {
      const start = from ?? at;
      from = null;
      rubber.setAttribute("d", "");
      const [p, q] = [toStage(start[0], start[1]), toStage(at[0], at[1])];
      const point = Math.hypot(p[0] - q[0], p[1] - q[1]) < DRAG_PX;
      if (point && !insideFrame(at[0], at[1])) return;
      const box = point ? pixelBox(at, at) : pixelBox(start, at);
      try {
        const sample = await sampleAt("plate", "", box);
        if (once) take(null);
        ontaken({ sample, box });
      } catch (error) {
        sayError(/** @type {Error} */ (error));
      }
    },
  };
}

const PATIENCE_MS = 6000;
/** @type {Promise<unknown>} samples are asked for one after the other: the server answers the newest only */
let queue = Promise.resolve();

/** @param {ViewName} name @param {string} extractor @param {Box} box @returns {Promise<Sampled>} */
export function sampleAt(name, extractor, box) {
  const mine = queue.then(() =>
    ask({ type: "sample", name, extractor, frame: frameShown(), box }, PATIENCE_MS),
  );
  queue = mine.catch(() => null);
  return mine;
}

/** Keep sampling; samples are listed in the panel. */
export function takeSampler() {
  take(tool("Tap a colour, or drag a box over several", keep, false));
}

/** Ask for one colour from the picture. @param {string} purpose @param {(taken: Taken) => void} ontaken */
export function pickColour(purpose, ontaken) {
  take(
    tool(
      purpose,
      (taken) => {
        keep(taken);
        ontaken(taken);
      },
      true,
    ),
  );
}

/** @param {Taken} taken */
function keep(taken) {
  state.samples = [taken, ...state.samples].slice(0, KEEP);
  emit("samples");
}

/** @param {Taken} taken */
export function forget(taken) {
  state.samples = state.samples.filter((t) => t !== taken);
  emit("samples");
}

// Marks of the samples of this frame.
/** @type {HTMLElement[]} */
let dots = [];
function drawDots() {
  dots.forEach(removeMark);
  dots = state.samples
    .filter((t) => t.sample.frame === frameShown())
    .map(({ sample, box: place }, i) => {
      const dot = h("div", { class: "dot", "aria-hidden": "true", dataset: { sample: i } });
      dot.style.background = `rgb(${sample.display.join(" ")})`;
      putMark(dot, (place[0] + place[2]) / 2, (place[1] + place[3]) / 2);
      return dot;
    });
}
on("samples frame", drawDots);

// Values under the pointer.
const box = byId("picture");
const readout = byId("readout");
let asking = false;
/** @type {number[] | null} */
let wanted = null;

on("hover", (e) => {
  if (!e || e.pointerType === "touch" || state.playhead.playing) return hide();
  const [x, y] = underPointer(e).map(Math.floor);
  if (!insideFrame(x, y)) return hide();
  wanted = [x, y];
  if (!asking) askUnderPointer();
});

function hide() {
  wanted = null;
  readout.classList.remove("on");
}

async function askUnderPointer() {
  asking = true;
  try {
    while (wanted) {
      const [x, y] = wanted;
      wanted = null;
      const got = await sampleAt(view.name, view.extractor, [x, y, x + 1, y + 1]);
      if (!box.matches(":hover, :focus-visible")) break;
      showValues(x, y, got);
    }
  } catch {
    hide();
  } finally {
    asking = false;
  }
}

/** @param {number} x @param {number} y @param {Sampled} got */
function showValues(x, y, got) {
  const line = (/** @type {string} */ name, /** @type {number[]} */ values, /** @type {number} */ step) => [
    h("span", { class: "head", text: name }),
    ...values.map((v) => h("span", { text: figure(v, step) })),
  ];
  const matte =
    got.linear[0] === got.linear[1] &&
    got.linear[1] === got.linear[2] &&
    ["matte", "evenness", "alpha_noise", "alpha_error"].includes(got.name);
  readout.replaceChildren(
    h("span", { class: "head", text: `${x}, ${y}` }),
    h("span"),
    h("span"),
    h("span", { text: matte ? "" : `${figure(got.hue_deg, 1)}°` }),
    ...(matte
      ? [
          h("span", { class: "head", text: "value" }),
          h("span", { text: figure(got.linear[0], 0.0001) }),
          h("span"),
          h("span"),
        ]
      : line("linear", got.linear, 0.0001)),
    ...(got.code ? line(`code${got.code_bits ? ` ${got.code_bits} bit` : ""}`, got.code, 1) : []),
  );
  readout.classList.add("on");
}
