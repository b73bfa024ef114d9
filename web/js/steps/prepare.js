// Prepare: a starting recipe, the screen, the denoised pass, garbage and keep solid, the source.

import { block, button, h, toggle } from "../dom.js";
import { change } from "../edits.js";
import { form } from "../form.js";
import { pickMedia } from "../media.js";
import { capital, words } from "../paths.js";
import { shapeList } from "../shape-list.js";
import { on, operator, state } from "../store.js";
import { jobList, startJob } from "../jobs.js";
import { nextStep, sampleCards, together } from "./common.js";
import { denoisedPass } from "./denoised.js";

const PROPOSES =
  "Measures the shot and proposes extractors, levels and despilling, with reasons. Nothing changes " +
  "until you use it.";
const GARBAGE = "Areas to throw away. Garbage wins over keep solid.";
const KEEP_SOLID = "Areas where the matte is solid. Never over glass or smoke: what shows through would go.";
const PLATE = /** @type {const} */ (["clean_plate", "clean_plate_path", "clean_plate_colourspace"]);

/** @import { JobInfo, Recipe } from "../wire-types.js" */

export function prepareStep() {
  return together([
    start(),
    screen(),
    denoisedPass(),
    shapeList(["garbage"], { title: "Garbage", help: GARBAGE, subject: "Garbage" }),
    shapeList(["keep_solid"], { title: "Keep solid", help: KEEP_SOLID, subject: "Keep solid" }),
    source(),
    sampleCards(),
  ]);
}

/** A recipe from the shot's own measures, to begin with. */
function start() {
  const fold = block({ title: "Starting recipe", key: "start", open: true });
  const jobs = jobList(["suggest"], (job) => (job.state === "done" ? starting(job) : null));
  fold.body.append(
    h("p", { class: "help", text: PROPOSES }),
    operator()
      ? h(
          "div",
          { class: "bar" },
          button({
            label: "Measure the shot and write a starting recipe",
            text: "Measure and propose",
            class: "primary",
            onclick: () => startJob("suggest"),
          }),
        )
      : "",
    jobs.node,
  );
  return { node: fold, stop: jobs.stop };
}

/** A suggested recipe is taken only when asked for, as one step of undo. @param {JobInfo} job */
function starting(job) {
  const { recipe } = job.result ?? {};
  if (!recipe || !operator()) return null;
  const why = Object.entries(recipe.notes ?? {}).map(([path, text]) =>
    h("li", {}, h("span", { class: "strong", text: `${about(path)}: ` }), `${capital(text)}.`),
  );
  const own = ownPlate();
  const keep =
    own &&
    toggle({ label: `Keep the clean plate ${own}`, value: keepPlate, onflip: (on) => (keepPlate = on) });
  return h(
    "div",
    { class: "verdict" },
    keep ? h("div", { class: "bar" }, keep) : null,
    useIt(recipe),
    h("h3", { class: "part", text: "What was measured, and why" }),
    h("ul", {}, ...why),
  );
}

/** The button that takes a proposal; once it is taken, what comes next. @param {Recipe} recipe */
function useIt(recipe) {
  const place = h("div", {});
  let last = /** @type {boolean | null} */ (null);
  const show = () => {
    const used = JSON.stringify(state.recipe.extractors) === JSON.stringify(recipe.extractors);
    if (used === last) return;
    last = used;
    place.replaceChildren(
      used
        ? nextStep(
            "extract",
            "Extract",
            "This recipe is in use. Look at the matte, then shape it extractor by extractor.",
          )
        : h(
            "div",
            { class: "offer" },
            h("p", { class: "help", text: "Source, background, look and your own shapes stay as they are." }),
            button({
              label: "Use this starting recipe",
              text: "Use this recipe",
              class: "primary",
              onclick: () =>
                change([{ op: "set", path: [], value: taken(recipe) }], { label: "Starting recipe" }),
            }),
          ),
    );
  };
  show();
  const stop = on("recipe", () => (place.isConnected ? show() : stop()));
  return place;
}

/** What a reason is about. @param {string} path such as "extractors.edges" */
function about(path) {
  const [list, id] = path.split(".");
  const kind = { extractors: "Extractor", despill: "Despill pass" }[list];
  return kind && id ? `${kind} ${id}` : words(path);
}

/** Whether the operator's clean plate outlives a proposal, which brings one fitted to the screen. */
let keepPlate = true;

/** The clean plate at hand, unless an earlier proposal brought it; empty if there is none. */
function ownPlate() {
  const { clean_plate, clean_plate_path: path } = state.recipe.screen;
  const proposed = state.jobs.some(
    (j) => j.kind === "suggest" && j.result?.recipe?.screen.clean_plate_path === path,
  );
  return clean_plate === "file" && !proposed ? path : "";
}

/** The recipe with a proposal's key in it: what the proposal does not measure stays. @param {Recipe} made */
function taken(made) {
  const { recipe } = state;
  const fresh = new Set(made.garbage.map((s) => s.id));
  const own = keepPlate ? ownPlate() : "";
  const plate = own ? Object.fromEntries(PLATE.map((key) => [key, recipe.screen[key]])) : {};
  const { markers, ...notes } = made.notes;
  return {
    ...recipe,
    refine: made.refine,
    extractors: made.extractors,
    despill: made.despill,
    notes: own
      ? {
          ...notes,
          screen: `${made.screen.primary} was measured from the shot; the clean plate ${own} was kept`,
        }
      : made.notes,
    screen: { ...made.screen, ...plate },
    garbage: [...recipe.garbage.filter((s) => !fresh.has(s.id)), ...made.garbage],
  };
}

function screen() {
  const path = ["screen"];
  const fold = block({ title: "Screen", key: "screen", open: true });
  const own = form("Screen", path, { only: ["primary", "colour", "clean_plate"] });
  const file = h("div", { class: "field" });
  const rest = form("Screen", path, { only: ["clean_plate_colourspace", "noise"], subject: "Screen" });
  fold.body.append(own.node, file, rest.node);
  const show = () => {
    const b = state.recipe.screen;
    file.replaceChildren(
      h(
        "div",
        { class: "line" },
        h("span", { class: "grow", text: b.clean_plate_path || "No clean plate chosen" }),
        operator()
          ? button({
              label: "Choose the clean plate",
              icon: "file",
              text: "Choose",
              class: "small",
              onclick: () =>
                pickMedia("Clean plate", (name) =>
                  change(
                    [
                      { op: "set", path: [...path, "clean_plate_path"], value: name },
                      { op: "set", path: [...path, "clean_plate"], value: "file" },
                    ],
                    { label: "Clean plate" },
                  ),
                ),
            })
          : null,
      ),
    );
    fold.hint(`${b.primary}${b.clean_plate === "file" ? ", clean plate" : ", flat colour"}`);
  };
  show();
  return {
    node: fold,
    refresh: (/** @type {string[][] | undefined} */ c) => {
      own.refresh(c);
      rest.refresh(c);
      show();
    },
    tick: () => {
      own.tick();
      rest.tick();
    },
  };
}

/** How the shot is read. */
function source() {
  const fold = block({ title: "Source", key: "source" });
  const own = form("Source", ["source"], {
    skip: ["denoised_path", "denoised_colourspace", "denoise"],
    subject: "Source",
  });
  const facts = h("p", { class: "help" });
  fold.body.append(facts, own.node);
  const show = () => {
    const { shot } = state;
    facts.textContent =
      [
        `${shot.width} × ${shot.height}`,
        shot.bits ? `${shot.bits} bit` : "",
        shot.chroma ?? "",
        `${shot.fps} fps`,
        shot.colourspace ? `read as ${shot.colourspace} (${shot.colourspace_decided})` : "",
        ...shot.remarks,
        shot.missing.length
          ? `missing frames: ${shot.missing.slice(0, 12).join(", ")}${shot.missing.length > 12 ? " …" : ""}`
          : "",
      ]
        .filter(Boolean)
        .join(", ") + ".";
  };
  show();
  return {
    node: fold,
    refresh: (/** @type {string[][] | undefined} */ c) => {
      own.refresh(c);
      show();
    },
    tick: own.tick,
  };
}
