// Long work on the server: starting it, and its list with progress and cancel.

import { button, h } from "./dom.js";
import { sayError } from "./notice.js";
import { capital } from "./paths.js";
import { on, state } from "./store.js";
import { ask, send } from "./wire.js";

/** @import { JobInfo, JobKind, JobStart } from "./wire-types.js" */

/** @type {Record<JobKind, string>} */
const JOB_WORDS = {
  render: "Render",
  survey: "Survey",
  suggest: "Starting recipe",
  prepare: "Denoised pass",
};
const SEEN = 3;

/** @param {JobKind} kind @param {JobStart["options"]} [options] */
export const startJob = (kind, options = {}) => ask({ type: "job_start", kind, options }).catch(sayError);

/**
 * Jobs of some kinds, with progress and cancel.
 * @param {JobKind[]} kinds
 * @param {(job: JobInfo) => Node | null} [more] what there is to see of one
 * @param {(job: JobInfo) => boolean} [wanted]
 */
export function jobList(kinds, more = () => null, wanted = () => true) {
  const node = h("div", { "aria-live": "polite" });
  const mine = () => state.jobs.filter((j) => kinds.includes(j.kind) && wanted(j));
  const build = () =>
    node.replaceChildren(
      ...mine()
        .slice(-SEEN)
        .reverse()
        .map((job) => jobCard(job, more)),
    );
  const show = () => keepFocus(node, build);
  const stop = on("jobs", show);
  show();
  return { node, stop };
}

/**
 * Build a part anew; the button in it that had the focus has it again.
 * @param {HTMLElement} node
 * @param {() => void} build
 */
function keepFocus(node, build) {
  const active = document.activeElement;
  const held = node.contains(active) ? active : null;
  const from = held?.closest("[data-job]")?.getAttribute("data-job");
  build();
  if (!held || !from) return;
  const nameOf = (/** @type {Element} */ b) => b.getAttribute("aria-label") ?? b.textContent;
  const again = node.querySelectorAll(`[data-job="${from}"] :is(button, a)`);
  const same = [...again].find((b) => nameOf(b) === nameOf(held));
  if (same instanceof HTMLElement) same.focus({ preventScroll: true });
}

/** @param {JobInfo} job */
const isRunning = (job) => job.state === "running" || job.state === "queued";

/** How far it is. @param {JobInfo} job */
function progressWord({ state: now, done, total, seconds_left: left }) {
  if (now === "queued") return "waiting";
  if (now !== "running") return now;
  if (!total) return "starting";
  return `${done} of ${total}${left === null ? "" : `, ${Math.max(1, Math.round(left))} s left`}`;
}

/** @param {JobInfo} job @param {(job: JobInfo) => Node | null} more */
function jobCard(job, more) {
  const word = JOB_WORDS[job.kind];
  const cancel = button({
    label: `Cancel ${word.toLowerCase()}`,
    text: "Cancel",
    class: "small",
    onclick: () => send({ type: "job_cancel", job: job.job }),
  });
  const title = h("span", {}, h("span", { class: "strong", text: word }), ` ${progressWord(job)}`);
  const told = job.message && !(job.kind === "suggest" && job.state === "done");
  return h(
    "div",
    { class: "job", dataset: { job: job.job, kind: job.kind, state: job.state } },
    h("div", { class: "bar spread" }, title, isRunning(job) ? cancel : null),
    isRunning(job) ? progressBar(job, word) : null,
    told ? h("p", { class: "help", text: capital(job.message) }) : null,
    job.files.length ? h("div", { class: "bar" }, ...job.files.map((name) => fileLink(job, name))) : null,
    more(job),
  );
}

/** @param {JobInfo} job @param {string} word */
function progressBar(job, word) {
  const bar = h("div");
  bar.style.width = `${job.total ? (100 * job.done) / job.total : 4}%`;
  const now = { "aria-valuemin": 0, "aria-valuemax": job.total || 1, "aria-valuenow": job.done };
  return h("div", { class: "progress", role: "progressbar", "aria-label": word, ...now }, bar);
}

/** @param {JobInfo} job @param {string} name */
const fileLink = (job, name) =>
  h("a", {
    class: "btn small",
    href: `/api/jobs/${job.job}/${encodeURIComponent(name)}`,
    target: "_blank",
    rel: "noopener",
    text: name,
  });
