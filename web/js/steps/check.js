// Check: stress view, wipe, notes, hand over.

import { block, button, dropdown, h, oneOf } from "../dom.js";
import { numberBox } from "../controls.js";
import { NAME_LENGTH, STRESS_MOST } from "../limits.js";
import { notesList } from "../notes.js";
import { slider } from "../slider.js";
import { frameShown, on, operator, state } from "../store.js";
import { look, view } from "../view.js";
import { keyboardSwitch } from "../keyboard.js";
import { jobList, startJob } from "../jobs.js";
import { sampleCards, together } from "./common.js";

const LAYERS = [
  ["alpha", "Alpha"],
  ["straight", "Straight (unpremultiplied)"],
  ["foreground", "Foreground, premultiplied"],
  ["composite", "Composite"],
  ["despilled", "Despilled"],
  ["extractors", "Every extractor's matte"],
  ["error", "Expected error of the matte"],
];

/** @type {[string, string][]} */
export const FRAMES = [
  ["all", "All frames"],
  ["range", "In to out"],
  ["one", "This frame"],
];
/** @type {[string, string][]} */
const DEPTHS = [
  ["half", "16-bit float"],
  ["full", "32-bit float"],
];

export function checkStep() {
  return together([
    stress(),
    ...(operator() ? [handOver()] : []),
    notesList(),
    sampleCards(),
    { node: keyboardSwitch() },
  ]);
}

/** @typedef {import("../view.js").view["stress"]} Stress */

/**
 * A number of the stress view.
 * @param {string} label
 * @param {"gain" | "gamma"} key
 * @param {[number, number]} drag
 * @param {number} home
 */
function stressField(label, key, drag, home) {
  const put = (/** @type {number} */ v) => look({ stress: { ...view.stress, [key]: v } });
  const limits = { step: 0.1, low: 0.05, high: STRESS_MOST[key] };
  const box = numberBox(label, limits, put);
  const onchange = (/** @type {number} */ v) => {
    box.show(v);
    put(v);
  };
  const bar = slider({ label, drag, ...limits, home, onchange });
  const line = h("div", { class: "line" }, h("span", { class: "grow", text: label }), box);
  const show = () => {
    box.show(view.stress[key]);
    bar.show(view.stress[key]);
  };
  return { node: h("div", { class: "field" }, line, bar), show };
}

function stress() {
  const preset = oneOf({
    label: "What to look for",
    class: "choice",
    value: view.stress.preset,
    options: [
      { value: "off", text: "Off" },
      {
        value: "screen",
        text: "Screen noise",
        title: "Noise in the screen: the largest value of every area, amplified",
      },
      {
        value: "core",
        text: "Core holes",
        title: "Holes in the core: the smallest value of every area, amplified",
      },
    ],
    onpick: (value) =>
      look({ name: "matte", stress: { ...view.stress, preset: /** @type {Stress["preset"]} */ (value) } }),
  });
  const gain = stressField("Gain", "gain", [1, 64], 8);
  const gamma = stressField("Gamma", "gamma", [0.2, 4], 1);
  const help =
    "View only: nothing rendered changes. Zoomed out, each point shows its worst pixel, not the average.";
  const fold = block(
    { title: "Stress the matte", key: "stress", open: true },
    h("p", { class: "help", text: help }),
    ...[preset, gain.node, gamma.node],
  );
  const show = () => {
    preset.show(view.stress.preset);
    gain.show();
    gamma.show();
  };
  const stop = on("view", show);
  show();
  return { node: fold, stop };
}

/** A name fit for a folder. @param {string} text */
const safe = (text) =>
  text
    .replace(/[^A-Za-z0-9_-]+/g, "_")
    .replace(/^[_-]+/, "")
    .slice(0, 60) || "render";

/** Buttons for the layers; `chosen` holds those that are pressed. @param {Set<string>} chosen */
function layerButtons(chosen) {
  const buttons = LAYERS.map(([value, text]) => {
    const flip = () => {
      if (!chosen.delete(value)) chosen.add(value);
      b.setAttribute("aria-pressed", String(chosen.has(value)));
    };
    const pressed = String(chosen.has(value));
    const b = h("button", {
      type: "button",
      class: "btn small",
      text,
      "aria-pressed": pressed,
      onclick: flip,
    });
    return b;
  });
  return h("div", { class: "bar", role: "group", "aria-label": "Layers to render" }, ...buttons);
}

/** Which frames: "all", "range" or "one". @param {string} which */
function framesOf(which) {
  const { first, last } = state.playhead;
  if (which === "one") return String(frameShown());
  return which === "range" ? `${first}-${last}` : `${state.shot.first}-${state.shot.last}`;
}

function handOver() {
  const chosen = new Set(["alpha", "straight", "foreground", "composite"]);
  const frames = dropdown({ label: "Frames to render", value: "all", options: FRAMES, onpick: () => {} });
  const half = dropdown({ label: "Depth", value: "half", options: DEPTHS, onpick: () => {} });
  const name = h("input", {
    class: "text",
    type: "text",
    maxLength: NAME_LENGTH,
    "aria-label": "Name of the folder and files",
    value: safe(state.recipe.name === "untitled" ? state.shot.name : state.recipe.name),
  });
  const run = () =>
    startJob("render", {
      name: safe(name.value),
      layers: [...chosen],
      frames: framesOf(frames.value),
      half: half.value === "half",
    });
  const jobs = jobList(["render"]);
  const title = (/** @type {string} */ text) => h("p", { class: "quiet", text });
  const help = "One multi-channel EXR a frame, exactly what is previewed, with time code and windows kept.";
  const fold = block(
    { title: "Hand over", key: "handover", open: true },
    ...[h("p", { class: "help", text: help }), title("Name of the folder and files"), name],
    ...[title("Layers"), layerButtons(chosen), title("Frames and depth")],
    h(
      "div",
      { class: "bar" },
      ...[frames, half, button({ label: "Render", text: "Render", class: "primary", onclick: run })],
    ),
    jobs.node,
  );
  return { node: fold, stop: jobs.stop };
}
