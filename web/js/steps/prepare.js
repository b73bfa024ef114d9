// Prepare: a starting recipe, the backing, source and passes, garbage and holdout.

import { block, button, h } from "../dom.js";
import { change } from "../edits.js";
import { form } from "../form.js";
import { pickMedia } from "../media.js";
import { shapeList } from "../shape-list.js";
import { describe, modelOf } from "../schema.js";
import { operator, state } from "../store.js";
import { jobList, sampleCards, startJob, together } from "./common.js";

export function prepareStep() {
  const help = (/** @type {string} */ key) => describe(key, modelOf("").properties[key]).help;
  return together([
    start(),
    backing(),
    shapeList(["garbage"], { title: "Garbage", help: help("garbage"), subject: "Garbage" }),
    shapeList(["holdout"], { title: "Holdout", help: help("holdout"), subject: "Holdout" }),
    source(),
    sampleCards(),
  ]);
}

/** A recipe from the shot's own measures, to begin with. */
function start() {
  const fold = block({ title: "Starting recipe", key: "start", open: true });
  const jobs = jobList(["suggest", "prepare"], (job) => (job.state === "done" && job.kind === "suggest" ? starting(job) : null));
  fold.body.append(h("p", { class: "help", text: "Measures the shot and proposes extractors, levels and neutralising, with reasons. Nothing changes until you use it." }),
    operator() ? h("div", { class: "bar" },
      button({ label: "Measure the shot and write a starting recipe", text: "Measure and propose", class: "primary", onclick: () => startJob("suggest") })) : "",
    jobs.node);
  return { node: fold, stop: jobs.stop };
}

/** A suggested recipe is taken only when asked for, as one step of undo. @param {any} job */
function starting(job) {
  const { recipe } = job.result ?? {};
  if (!recipe || !operator()) return null;
  const why = Object.values(recipe.notes ?? {}).slice(0, 6);
  return h("div", { class: "verdict" }, h("ul", {}, ...why.map((text) => h("li", { text }))),
    button({ label: "Use this starting recipe", text: "Use this recipe", class: "primary", onclick: () => change([{ op: "set", path: [], value: { ...recipe, name: state.recipe.name } }], { label: "Starting recipe" }) }));
}

function backing() {
  const path = ["backing"];
  const fold = block({ title: "Backing", key: "backing", open: true });
  const own = form("Backing", path, { only: ["primary", "colour", "clean_plate"], subject: "Backing" });
  const file = h("div", { class: "field" });
  const rest = form("Backing", path, { only: ["clean_plate_colourspace", "noise"], subject: "Backing" });
  fold.body.append(own.node, file, rest.node);
  const show = () => {
    const b = state.recipe.backing;
    file.replaceChildren(h("div", { class: "line" }, h("span", { class: "grow", text: b.clean_plate_path || "No clean plate chosen" }),
      operator() ? button({ label: "Choose the clean plate", icon: "file", text: "Choose", class: "small", onclick: () => pickMedia("Clean plate", (name) => change([
        { op: "set", path: [...path, "clean_plate_path"], value: name }, { op: "set", path: [...path, "clean_plate"], value: "file" }], { label: "Clean plate" })) }) : null));
    fold.hint(`${b.primary}${b.clean_plate === "file" ? ", clean plate" : ", flat colour"}`);
  };
  show();
  return { node: fold, refresh: (/** @type {any} */ c) => { own.refresh(c); rest.refresh(c); show(); }, tick: () => { own.tick(); rest.tick(); } };
}

/** How the shot is read, and the passes made from it. */
function source() {
  const fold = block({ title: "Source and denoised pass", key: "source" });
  const own = form("Source", ["source"], { skip: ["denoised_path"], subject: "Source" });
  const file = h("div", { class: "field" });
  const facts = h("p", { class: "help" });
  fold.body.append(facts, own.node, file);
  const show = () => {
    const { shot, recipe } = state;
    facts.textContent = [`${shot.width} × ${shot.height}`, shot.bits ? `${shot.bits} bit` : "", shot.chroma ?? "", `${shot.fps} fps`, shot.colourspace ? `read as ${shot.colourspace}` : "", shot.missing.length ? `missing frames: ${shot.missing.slice(0, 12).join(", ")}${shot.missing.length > 12 ? " …" : ""}` : ""].filter(Boolean).join(", ") + ".";
    file.replaceChildren(h("div", { class: "line" }, h("span", { class: "grow", text: recipe.source.denoised_path || "No denoised pass" }),
      operator() ? button({ label: "Choose the denoised pass", icon: "file", text: "Choose", class: "small", onclick: () => pickMedia("Denoised pass", (name) => change([{ op: "set", path: ["source", "denoised_path"], value: name }], { label: "Denoised pass" })) }) : null,
      operator() && recipe.source.denoised_path ? button({ label: "Take the denoised pass out", icon: "close", class: "flat", onclick: () => change([{ op: "set", path: ["source", "denoised_path"], value: "" }], { label: "No denoised pass" }) }) : null));
    fold.hint(recipe.source.denoised_path ? "denoised" : "");
  };
  show();
  return { node: fold, refresh: (/** @type {any} */ c) => { own.refresh(c); show(); }, tick: own.tick };
}
