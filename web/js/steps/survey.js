// Survey: is the screen keyable, what would help, the maps over the picture, and the day's takes.

import { block, button, h, oneOf } from "../dom.js";
import { dayBlock, measuresOf, openTake } from "../day.js";
import { kept, wholeTake } from "../kept.js";
import { layOver, mapWord } from "../maps.js";
import { sayError } from "../notice.js";
import { on, operator, state } from "../store.js";
import { takesBlock } from "../takes.js";
import { cautionOf, hidePlace, showPlace, toDo, verdictHead, verdictKey } from "../verdict.js";
import { jobList, startJob } from "../jobs.js";
import { nextStep, together } from "./common.js";

/** @import { JobInfo, WholeTake } from "../wire-types.js" */

export function surveyStep() {
  const parts = together([takesBlock(), screen(), dayBlock()]);
  return {
    ...parts,
    stop: () => {
      parts.stop();
      layOver(null);
      hidePlace();
    },
  };
}

/** Is the screen of this shot keyable? */
function screen() {
  const fold = block({ title: "The screen of this shot", key: "screen", open: true });
  const jobs = jobList(
    ["survey"],
    (job) =>
      lost(job)
        ? answer({ ...job.result, maps: [], lines: [], facts: [], frame: job.result.shown_frame })
        : null,
    (job) => job.state !== "done" || lost(job) || Boolean(job.result?.failed?.length),
  );
  const place = h("div", {});
  const survey = button({
    label: "Survey the screen of this shot",
    text: "Survey the screen",
    class: "primary",
    onclick: () => startJob("survey"),
  });
  fold.body.append(
    h("p", {
      class: "help",
      text: operator()
        ? "Looks at nine frames and keeps the take in the day's list."
        : "What the operator's survey of this shot found.",
    }),
    operator() ? h("div", { class: "bar" }, survey) : "",
    jobs.node,
    place,
  );

  /** @type {number | null} */
  let seen = -1;
  async function show() {
    if (kept.here === seen) return;
    seen = kept.here;
    layOver(null);
    hidePlace();
    if (seen === null)
      return place.replaceChildren(
        operator() ? "" : h("p", { class: "help", text: "This shot has not been surveyed yet." }),
      );
    try {
      const whole = await wholeTake(seen);
      if (kept.here === whole.take.id) place.replaceChildren(answer(whole));
    } catch (error) {
      sayError(/** @type {Error} */ (error));
    }
  }
  const stop = on("kept", show);
  show();
  return {
    node: fold,
    stop: () => {
      stop();
      jobs.stop();
    },
  };
}

/** A survey that could not be kept lives in its job alone. @param {JobInfo} job */
const lost = (job) => job.state === "done" && job.result?.verdict && job.result.take === null;

/** What to do with the verdict on this page. @type {Record<string, string>} */
const AFTER = {
  keyable: "This screen can be keyed as it is. Let the prepare step measure a starting recipe.",
  "keyable with work":
    "Do what is listed while the crew is there and survey the next take. Then let the prepare step " +
    "measure a starting recipe.",
  relight:
    "Do what is listed and survey the next take. To key this one all the same, let the prepare step " +
    "measure a starting recipe.",
  "no screen found": "If there is a screen in the picture, name its colour in the prepare step.",
};

/** @param {WholeTake} whole */
function answer(whole) {
  const { verdict, take } = whole;
  return h(
    "div",
    { class: "verdict", dataset: { verdict: verdictKey(verdict.name) } },
    verdictHead(whole),
    whole.thumbnail
      ? h(
          "button",
          {
            type: "button",
            class: "thumb",
            "aria-label": "Open the survey large",
            onclick: () => openTake(take.id),
          },
          h("img", {
            src: `data:image/jpeg;base64,${whole.thumbnail}`,
            alt: `The surveyed frame ${whole.frame ?? ""}; numbers mark where the reasons lie`,
          }),
        )
      : null,
    whole.maps.length ? overMaps(whole) : null,
    h("h3", { class: "part", text: "What to do, most important first" }),
    toDo(verdict, (box) => showPlace(box, whole.frame)),
    cautionOf(verdict),
    operator() && AFTER[verdict.name] ? nextStep("prepare", "Prepare", AFTER[verdict.name]) : null,
    whole.lines.length ? measuresOf(whole) : null,
    h("p", { class: "help", text: `From ${whole.sampling}.` }),
  );
}

/** @type {ReturnType<typeof oneOf> | null} the choice of a map in the answer that is shown */
let chooser = null;
on("over", () => chooser?.show(state.over?.name ?? "off"));

/** @param {WholeTake} whole */
function overMaps(whole) {
  const choose = oneOf({
    label: "Map over the picture",
    class: "choice",
    value: "off",
    options: [
      { value: "off", text: "Off" },
      ...whole.maps.map((m) => ({ value: m.name, text: mapWord(m), title: m.title })),
    ],
    onpick: (name) => layOver(whole.maps.find((m) => m.name === name) ?? null, whole.frame),
  });
  chooser = choose;
  return h("div", { class: "overmaps" }, h("span", { class: "quiet", text: "Map over the picture" }), choose);
}
