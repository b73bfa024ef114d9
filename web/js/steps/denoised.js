// The denoised pass: baked from the shot here, or chosen among files baked elsewhere.

import { block, button, dropdown, h } from "../dom.js";
import { change } from "../edits.js";
import { form } from "../form.js";
import { pickMedia } from "../media.js";
import { frameShown, on, operator, state } from "../store.js";
import { look, showView, view } from "../view.js";
import { jobList, startJob } from "../jobs.js";
import { nextStep } from "./common.js";

/** @import { JobInfo } from "../wire-types.js" */

const PATH = ["source", "denoised_path"];
const SPACE = ["source", "denoised_colourspace"];

/** Name of the pass in use; empty if there is none. @returns {string} */
const inUse = () => state.recipe.source.denoised_path;

/** Use a pass, or with an empty name none, as one step of undo. @param {string} name @param {string} label */
const use = (name, label) => change([{ op: "set", path: PATH, value: name }], { label });

export function denoisedPass() {
  const fold = block({ title: "Denoised pass", key: "denoised", open: !inUse() });
  const chosen = h("div", { class: "field" });
  const settings = form("Denoise", ["source", "denoise"], { subject: "Denoise" });
  const space = form("Source", ["source"], { only: ["denoised_colourspace"], subject: "Source" });
  const jobs = jobList(["prepare"], (job) => (newest(job) ? baked(job) : null));
  const help =
    "Keying a denoised pass gives a cleaner core and screen; the colour still comes from the plate.";
  fold.body.append(
    ...[h("p", { class: "help", text: help }), chosen, space.node, settings.node],
    operator() ? bake() : "",
    jobs.node,
  );
  const show = () => {
    const name = inUse();
    chosen.replaceChildren(chosenLine(name));
    space.node.hidden = !name || bakedHere(name);
    fold.hint(name ? "in use" : "none");
  };
  show();
  return {
    node: fold,
    refresh: (/** @type {string[][] | undefined} */ changed) => {
      settings.refresh(changed);
      space.refresh(changed);
      show();
    },
    tick: settings.tick,
    stop: jobs.stop,
  };
}

/** Which pass is in use, with what can be done about it. @param {string} name */
function chosenLine(name) {
  const text = name ? shortly(name) : "No denoised pass";
  const line = h(
    "div",
    { class: "line" },
    h("span", { class: `grow file ${name ? "" : "quiet"}`, text, title: name }),
  );
  if (!operator()) return line;
  line.append(
    button({
      label: "Choose a denoised pass baked elsewhere",
      icon: "file",
      text: "Choose",
      class: "small",
      onclick: () => pickMedia("Denoised pass", (picked) => use(picked, "Denoised pass")),
    }),
  );
  if (name)
    line.append(
      button({
        label: "Take the denoised pass out",
        icon: "close",
        class: "flat",
        onclick: () => use("", "No denoised pass"),
      }),
    );
  return line;
}

/** The end of a file's name, which tells it from others. @param {string} name */
const shortly = (name) => name.split("/").slice(-2).join("/\u200b");

/**
 * Whether the pass of a name was baked by one of the jobs listed: its colour space is known then.
 * @param {string} name
 */
const bakedHere = (name) =>
  !state.recipe.source.denoised_colourspace && state.jobs.some((j) => j.result?.denoised_path === name);

/** Whether no later job has baked the same pass. @param {JobInfo} job */
const newest = (job) =>
  job ===
  state.jobs.findLast(
    (j) =>
      j.kind === "prepare" && j.state === "done" && j.result?.denoised_path === job.result?.denoised_path,
  );

/** What to bake, and the button that does it. */
function bake() {
  const frames = dropdown({
    label: "Frames to bake",
    value: "all",
    options: [
      ["all", "All frames"],
      ["range", "In to out"],
      ["one", "This frame"],
    ],
    onpick: () => {},
  });
  const run = () => {
    const p = state.playhead;
    const wanted = { all: "", range: `${p.first}-${p.last}`, one: String(frameShown()) };
    startJob("prepare", { frames: wanted[/** @type {"all"} */ (frames.value)] });
  };
  return h(
    "div",
    { class: "bar" },
    frames,
    button({
      label: "Denoise and bake (writes frames)",
      text: "Denoise and bake (writes frames)",
      class: "primary",
      onclick: run,
    }),
  );
}

/**
 * A baked pass is used only when asked for; once it is, what to look at and what comes next.
 * @param {JobInfo} job
 */
function baked(job) {
  const { denoised_path: name } = job.result ?? {};
  if (!name || !operator()) return null;
  const place = h("div", { class: "verdict" });
  let last = "";
  const show = () => {
    const now = JSON.stringify([inUse() === name, changed(job), readers()]);
    if (now === last) return;
    last = now;
    place.replaceChildren(...(inUse() === name ? used(job) : offer(job, name)));
  };
  show();
  const stop = on("recipe", () => (place.isConnected ? show() : stop()));
  return place;
}

/** Whether the settings are no longer those that a pass was baked with. @param {JobInfo} job */
const changed = (job) => JSON.stringify(state.recipe.source.denoise) !== JSON.stringify(job.result.denoise);

/** @param {number} reading @param {number} all */
function readBy(reading, all) {
  if (reading === 0) return "No extractor reads it yet: the setting “Key from” of an extractor decides that.";
  if (reading < all) return `${reading} of ${all} extractors read it now.`;
  if (all === 1) return "The extractor reads it now.";
  return all === 2 ? "Both extractors read it now." : `All ${all} extractors read it now.`;
}

/** How many extractors read the denoised pass, of how many. @returns {[number, number]} */
const readers = () => [
  state.recipe.extractors.filter((e) => e.key_from === "denoised").length,
  state.recipe.extractors.length,
];

/** What is worth knowing of a pass before it is used or kept. @param {JobInfo} job */
function warnings(job) {
  const frames = job.result.written + job.result.skipped;
  const all = state.shot.last - state.shot.first + 1 - state.shot.missing.length;
  return [
    frames < all
      ? `It holds ${frames} of ${all} frames; all others are keyed from the plate. Good for a try: ` +
        "bake all frames before handing over."
      : "",
    changed(job) ? "The settings have changed since it was baked." : "",
  ]
    .filter(Boolean)
    .map((text) => h("p", { class: "help", text }));
}

/** @param {JobInfo} job @param {string} name */
const offer = (job, name) => [
  h(
    "div",
    { class: "offer" },
    ...warnings(job),
    button({
      label: "Use this denoised pass",
      text: "Use this denoised pass",
      class: "primary",
      onclick: () => {
        change(
          [
            { op: "set", path: PATH, value: name },
            { op: "set", path: SPACE, value: "" },
          ],
          { label: "Denoised pass" },
        );
        showView("denoised");
      },
    }),
  ),
];

/** @param {JobInfo} job */
function used(job) {
  const read = readBy(...readers());
  return [
    h(
      "div",
      { class: "offer" },
      h("p", { text: `This pass is in use. ${read}` }),
      ...warnings(job),
      h("p", {
        class: "help",
        text: "Compare it with the plate: the noise should be gone, hair and texture still there.",
      }),
      h(
        "div",
        { class: "bar" },
        button({
          label: "Look at the denoised view",
          text: "Denoised view",
          class: "small",
          onclick: () => look({ name: "denoised", extractor: "", wipe: { ...view.wipe, on: false } }),
        }),
        button({
          label: "Wipe between the denoised view and the plate",
          text: "Wipe with the plate",
          class: "small",
          onclick: () =>
            look({
              name: "denoised",
              extractor: "",
              wipe: { ...view.wipe, on: true, name: "plate", extractor: "" },
            }),
        }),
      ),
    ),
    nextStep("extract", "Extract", "Then see what it does to the matte."),
  ];
}
