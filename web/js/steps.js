// The step list at the side, and the panel of the step in hand.

import { byId, h, icon } from "./dom.js";
import { fold, isOpen } from "./folds.js";
import { emit, on, operator, perFrame, state } from "./store.js";
import { nextStep } from "./steps/common.js";
import { surveyStep } from "./steps/survey.js";
import { prepareStep } from "./steps/prepare.js";
import { extractStep } from "./steps/extract.js";
import { despillStep } from "./steps/despill.js";
import { assembleStep } from "./steps/assemble.js";
import { checkStep } from "./steps/check.js";

/** @import { Live } from "./form.js" */

/**
 * A step of the work; `seen` is its lead for reviewers.
 * @typedef {{name: string, title: string, lead: string, seen?: string, make: () => Live}} Step
 * @type {Step[]}
 */
const STEPS = [
  {
    name: "survey",
    title: "Survey",
    lead: "Can this screen be keyed, where not, and what would help?",
    make: surveyStep,
  },
  {
    name: "prepare",
    title: "Prepare",
    lead: "Describe the screen, denoise, mark what to throw away and what to keep.",
    seen: "How the screen is described, what is thrown away and what is kept.",
    make: prepareStep,
  },
  {
    name: "extract",
    title: "Extract",
    lead: "Extractors, combined in this order into the cumulative matte.",
    seen: "Extractors, combined in this order into the cumulative matte.",
    make: extractStep,
  },
  {
    name: "despill",
    title: "Despill",
    lead: "Take the screen's light out of the subject. No matte changes here.",
    seen: "How the screen's light is taken out of the subject.",
    make: despillStep,
  },
  {
    name: "assemble",
    title: "Assemble",
    lead: "The foreground over the background.",
    seen: "The foreground over the background.",
    make: assembleStep,
  },
  {
    name: "check",
    title: "Check",
    lead: "Stress the matte, compare, note, hand over.",
    seen: "Stress the matte, compare, leave notes.",
    make: checkStep,
  },
];

/** The step of a name; Extract for one there is not. @param {string} name */
const stepOf = (name) => STEPS.find((s) => s.name === name) ?? STEPS[2];

const nav = byId("steps");
const panel = byId("panel");
const app = byId("app");

/** @type {Map<string, HTMLButtonElement & {count: HTMLElement}>} */
const buttons = new Map();
/** @type {Live | null} */
let current = null;

nav.append(
  h(
    "ol",
    {},
    ...STEPS.map(({ name, title }) => {
      const count = h("span", { class: "count", hidden: true });
      const b = h(
        "button",
        { type: "button", dataset: { step: name }, onclick: () => openStep(name) },
        icon(name),
        h("span", { text: title }),
        count,
      );
      buttons.set(name, Object.assign(b, { count }));
      return h("li", {}, b);
    }),
  ),
);

/** What a step is for, in the words of who looks. @param {Step} step */
const leadOf = ({ name, lead, seen }) =>
  operator() || !seen
    ? lead
    : name === "check"
      ? seen
      : `${seen} Only an operator can change it; leave a note to ask.`;

/** Open a step; the step in hand again folds the panel away. @param {string} name */
export function openStep(name) {
  const again = state.step === name && app.dataset.panel === "open" && isOpen("steps");
  app.dataset.panel = again ? "closed" : "open";
  state.step = name;
  sessionStorage.setItem("step", name);
  show();
  emit("step");
}

/** Go to a step, whatever is open. @param {string} name */
function goTo(name) {
  if (state.step !== name || app.dataset.panel !== "open") openStep(name);
  fold("steps", true);
  panel.scrollTop = 0;
  buttons.get(name)?.focus();
}

function show() {
  for (const [name, b] of buttons) {
    const here = name === state.step;
    if (here) b.setAttribute("aria-current", "step");
    else b.removeAttribute("aria-current");
    b.setAttribute("aria-expanded", String(here && app.dataset.panel === "open"));
    b.title = leadOf(stepOf(name));
  }
  if (!state.recipe) return;
  counts();
  current?.stop?.();
  const step = stepOf(state.step);
  const top = panel.scrollTop;
  current = step.make();
  const after = STEPS[STEPS.indexOf(step) + 1];
  panel.replaceChildren(
    h(
      "div",
      { class: "step", dataset: { step: step.name } },
      h("header", {}, h("h2", { text: step.title }), h("p", { class: "lead", text: leadOf(step) })),
      current.node,
      operator() && after && step.name !== "survey" ? nextStep(after.name, after.title) : null,
    ),
  );
  panel.scrollTop = panel.dataset.step === step.name ? top : 0;
  panel.dataset.step = step.name;
}

/** @type {string[][] | null} */
let changes = null;
const refresh = perFrame(() => {
  const all = changes;
  changes = null;
  if (all) current?.refresh?.(all);
  counts();
});

function counts() {
  const put = (/** @type {string} */ name, /** @type {number} */ n) => {
    const count = buttons.get(name)?.count;
    if (!count) return;
    count.hidden = !n;
    count.textContent = String(n);
  };
  put("extract", state.recipe?.extractors.length ?? 0);
  put("check", state.notes.filter((n) => !n.done).length);
}

export function startSteps() {
  state.step = sessionStorage.getItem("step") ?? (operator() ? "extract" : "check");
  on("recipe", (changed) => {
    changes = [...(changes ?? []), ...(changed ?? [[]])];
    refresh();
  });
  on("gostep", goTo);
  on("notes", counts);
  on(
    "frame",
    perFrame(() => current?.tick?.()),
  );
  on("ready", show);
}
