// Check: stress view, wipe, notes, hand over.

import { block, button, dropdown, h, oneOf } from "../dom.js";
import { numberBox } from "../controls.js";
import { notesList } from "../notes.js";
import { slider } from "../slider.js";
import { on, operator, state } from "../store.js";
import { look, view } from "../view.js";
import { keyboardSwitch } from "../keyboard.js";
import { jobList, sampleCards, startJob, together } from "./common.js";

const LAYERS = [
  ["alpha", "Alpha"],
  ["straight", "Straight"],
  ["foreground", "Foreground, premultiplied"],
  ["composite", "Composite"],
  ["despilled", "Despilled"],
  ["extractors", "Every extractor's matte"],
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

function stress() {
  const fold = block({ title: "Stress the matte", key: "stress", open: true });
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
    onpick: (value) => look({ name: "matte", stress: { ...view.stress, preset: value } }),
  });
  const field = (
    /** @type {string} */ label,
    /** @type {"gain" | "gamma"} */ key,
    /** @type {[number, number]} */ drag,
    /** @type {number} */ home,
  ) => {
    const put = (/** @type {number} */ v) => look({ stress: { ...view.stress, [key]: v } });
    const box = numberBox(label, { step: 0.1, low: 0.05, high: key === "gain" ? 1000 : 20 }, put);
    const bar = slider({
      label,
      drag,
      step: 0.1,
      low: 0.05,
      high: key === "gain" ? 1000 : 20,
      home,
      onchange: (v) => {
        box.show(v);
        put(v);
      },
    });
    const node = h(
      "div",
      { class: "field" },
      h("div", { class: "line" }, h("span", { class: "grow", text: label }), box),
      bar,
    );
    return {
      node,
      show: () => {
        box.show(view.stress[key]);
        bar.show(view.stress[key]);
      },
    };
  };
  const [gain, gamma] = [field("Gain", "gain", [1, 64], 8), field("Gamma", "gamma", [0.2, 4], 1)];
  fold.body.append(
    h("p", {
      class: "help",
      text: "View only: nothing rendered changes. Zoomed out, each point shows its worst pixel, not the average.",
    }),
    preset,
    gain.node,
    gamma.node,
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

function handOver() {
  const fold = block({ title: "Hand over", key: "handover", open: true });
  const chosen = new Set(["alpha", "straight", "foreground", "composite"]);
  const layers = h(
    "div",
    { class: "bar", role: "group", "aria-label": "Layers to render" },
    ...LAYERS.map(([value, text]) => {
      const b = h("button", {
        type: "button",
        class: "btn small",
        text,
        "aria-pressed": String(chosen.has(value)),
        onclick: () => {
          if (!chosen.delete(value)) chosen.add(value);
          b.setAttribute("aria-pressed", String(chosen.has(value)));
        },
      });
      return b;
    }),
  );
  const frames = dropdown({
    label: "Frames to render",
    value: "all",
    options: [
      ["all", "All frames"],
      ["range", "In to out"],
      ["one", "This frame"],
    ],
    onpick: () => {},
  });
  const half = dropdown({
    label: "Depth",
    value: "half",
    options: [
      ["half", "16-bit float"],
      ["full", "32-bit float"],
    ],
    onpick: () => {},
  });
  const name = h("input", {
    class: "text",
    type: "text",
    maxLength: 60,
    "aria-label": "Name of the folder and files",
    value: safe(state.recipe.name === "untitled" ? state.shot.name : state.recipe.name),
  });
  const run = () => {
    const p = state.playhead;
    const range = {
      all: `${state.shot.first}-${state.shot.last}`,
      range: `${p.first}-${p.last}`,
      one: String(p.frame),
    }[/** @type {"all"} */ (frames.value)];
    startJob("render", {
      name: safe(name.value),
      layers: [...chosen],
      frames: range,
      half: half.value === "half",
    });
  };
  const jobs = jobList(["render"]);
  fold.body.append(
    h("p", {
      class: "help",
      text: "One multi-channel EXR a frame, exactly what is previewed, with time code and windows kept.",
    }),
    h("p", { class: "quiet", text: "Name of the folder and files" }),
    name,
    h("p", { class: "quiet", text: "Layers" }),
    layers,
    h("p", { class: "quiet", text: "Frames and depth" }),
    h(
      "div",
      { class: "bar" },
      frames,
      half,
      button({ label: "Render", text: "Render", class: "primary", onclick: run }),
    ),
    jobs.node,
  );
  return { node: fold, stop: jobs.stop };
}
