// Parts that several steps share: sampled colours, jobs, cards of a list of items.

import { button, h } from "../dom.js";
import { change } from "../edits.js";
import { capital, figure, getAt } from "../paths.js";
import { forget, takeSampler } from "../sample.js";
import { emit, on, operator, state } from "../store.js";
import { ask, send } from "../wire.js";
import { sayError } from "../notice.js";

/** Join live parts into one. @param {any[]} parts */
export function together(parts) {
  return {
    node: h("div", {}, ...parts.map((p) => p.node ?? p)),
    refresh: (/** @type {string[][] | undefined} */ changed) => parts.forEach((p) => p.refresh?.(changed)),
    tick: () => parts.forEach((p) => p.tick?.()),
    stop: () => parts.forEach((p) => p.stop?.()),
  };
}

/** What comes next: why, and a button that goes there. @param {string} name of the step @param {string} title @param {string} [why] */
export const nextStep = (name, title, why = "") =>
  h(
    "div",
    { class: "next" },
    why ? h("p", { text: why }) : null,
    button({
      label: `Next: ${title}`,
      text: `Next: ${title}`,
      class: why ? "primary" : "",
      onclick: () => emit("gostep", name),
    }),
  );

/** Colours sampled from the picture, with what can be done with one. @param {(taken: any) => {label: string, text: string, run: () => void}[]} acts */
export function sampleCards(acts = () => []) {
  const list = h("div", { class: "samples" });
  const node = h(
    "div",
    { class: "section" },
    h(
      "div",
      { class: "bar spread" },
      h("h3", { text: "Sampled colours" }),
      button({
        label: "Sample colours from the picture",
        icon: "sample",
        text: "Sample",
        class: "small",
        onclick: takeSampler,
      }),
    ),
    list,
  );
  const show = () =>
    list.replaceChildren(
      ...(state.samples.length
        ? state.samples.map((/** @type {any} */ t) => card(t, acts(t)))
        : [
            h("p", {
              class: "help",
              text: "Tap a colour in the picture, or drag a box; its values appear here.",
            }),
          ]),
    );
  const stop = on("samples", show);
  show();
  return { node, stop };
}

/** @param {any} taken @param {{label: string, text: string, run: () => void}[]} acts */
function card(taken, acts) {
  const { sample, box } = taken;
  const patch = h("span", { class: "swatch" });
  patch.style.background = `rgb(${sample.display.join(" ")})`;
  const line = (
    /** @type {string} */ name,
    /** @type {number[] | null} */ values,
    /** @type {number} */ step,
  ) =>
    values &&
    h(
      "tr",
      {},
      h("th", { scope: "row", text: name }),
      ...values.map((v) => h("td", { text: figure(v, step) })),
    );
  const size =
    sample.pixels === 1 ? `point ${box[0]}, ${box[1]}` : `${box[2] - box[0]} × ${box[3] - box[1]} px`;
  const about = [
    size,
    `hue ${figure(sample.hue_deg, 1)}°`,
    `saturation ${figure(sample.saturation, 0.01)}`,
    sample.alpha === null || sample.alpha === undefined ? "" : `α ${figure(sample.alpha, 0.001)}`,
  ]
    .filter(Boolean)
    .join(" · ");
  return h(
    "div",
    { class: "samplecard" },
    patch,
    h(
      "table",
      { "aria-label": `Values of a sampled colour, ${size}` },
      line("Linear", sample.linear, 0.0001),
      line(`Code${sample.code_bits ? `, ${sample.code_bits} bit` : ""}`, sample.code, 1),
      h("tr", {}, h("td", { class: "quiet", colSpan: 4, text: about })),
    ),
    button({ label: "Forget this colour", icon: "close", class: "flat", onclick: () => forget(taken) }),
    acts.length && operator()
      ? h(
          "div",
          { class: "acts bar" },
          ...acts.map(({ label, text, run }) => button({ label, text, class: "small", onclick: run })),
        )
      : null,
  );
}

/**
 * Cards of a list of items with ids: order, on/off, name, remove, one open at a time.
 * @param {{path: string[], what: string, openKey: string, title: (item: any) => string, sub: (item: any) => string, body: (item: any, path: string[]) => any, extra?: (item: any) => any[]}} how
 */
export function cardList({ path, what, openKey, title, sub, body, extra = () => [] }) {
  const node = h("div", { class: "cards", role: "list" });
  /** @type {any} */
  let live = null;
  let shape = "";
  const items = () => getAt(state.recipe, path) ?? [];
  const isOpen = (/** @type {string} */ id) => opened.get(openKey) === id;
  const open = (/** @type {string | null} */ id) => {
    opened.set(openKey, id);
    build();
  };

  function build() {
    live?.stop?.();
    live = null;
    const list = items();
    shape = list.map((/** @type {any} */ i) => `${i.id}${i.kind ?? ""}`).join();
    if (!opened.has(openKey) && list.length) opened.set(openKey, list[0].id);
    node.replaceChildren(
      ...list.map((/** @type {any} */ item, /** @type {number} */ at) => cardOf(item, at, list)),
    );
    heads();
  }

  /** @param {any} item @param {number} at @param {any[]} list */
  function cardOf(item, at, list) {
    const here = [...path, item.id];
    const now = isOpen(item.id);
    const flip = h(
      "button",
      {
        type: "button",
        class: "switch",
        role: "switch",
        onclick: () => {
          const value = !getAt(state.recipe, here).on;
          change([{ op: "set", path: [...here, "on"], value }], {
            label: `${title(getAt(state.recipe, here))} ${value ? "on" : "off"}`,
          });
        },
      },
      h("span", { class: "rail" }),
    );
    const head = h(
      "button",
      {
        type: "button",
        class: "open",
        "aria-expanded": String(now),
        onclick: () => open(now ? null : item.id),
      },
      h("span", { class: "title" }),
      h("span", { class: "sub" }),
    );
    const card = h(
      "div",
      { class: "card", role: "listitem", dataset: { id: item.id } },
      h("div", { class: "top" }, operator() ? flip : null, head, ...extra(item)),
    );
    if (now) {
      live = body(item, here);
      const tools = operator()
        ? h(
            "div",
            { class: "bar" },
            button({
              label: `Move ${title(item)} up`,
              icon: "up",
              class: "small",
              disabled: at === 0,
              onclick: () => move(here, list[at - 1].id, title(item)),
            }),
            button({
              label: `Move ${title(item)} down`,
              icon: "down",
              class: "small",
              disabled: at === list.length - 1,
              onclick: () => move(here, list[at + 2]?.id ?? null, title(item)),
            }),
            button({
              label: `Remove ${title(item)}`,
              icon: "bin",
              text: "Remove",
              class: "small",
              onclick: () => change([{ op: "remove", path: here }], { label: `Remove ${title(item)}` }),
            }),
          )
        : null;
      card.append(h("div", { class: "body" }, live.node, tools));
    }
    return card;
  }

  /** @param {string[]} here @param {string | null} before @param {string} name */
  const move = (here, before, name) =>
    change([{ op: "move", path: here, before }], { label: `Move ${name}` });

  function heads() {
    for (const item of items()) {
      const card = node.querySelector(`[data-id="${item.id}"]`);
      if (!card) continue;
      card.classList.toggle("off", !item.on);
      const flip = card.querySelector(".top > .switch");
      flip?.setAttribute("aria-checked", String(item.on));
      flip?.setAttribute("aria-label", `${what} ${title(item)} takes part`);
      /** @type {any} */ (card.querySelector(".title")).textContent = title(item);
      /** @type {any} */ (card.querySelector(".sub")).textContent = sub(item);
    }
  }
  build();
  return {
    node,
    open,
    heads,
    refresh: (/** @type {string[][] | undefined} */ changed) => {
      if (
        items()
          .map((/** @type {any} */ i) => `${i.id}${i.kind ?? ""}`)
          .join() !== shape
      )
        build();
      else {
        live?.refresh(changed);
        heads();
      }
    },
    tick: () => live?.tick?.(),
    stop: () => live?.stop?.(),
  };
}
/** @type {Map<string, string | null>} which card is open, by list */
const opened = new Map();

/** Build a part anew; the button in it that had the focus has it again. @param {any} node @param {() => void} build */
function keepFocus(node, build) {
  const held = node.contains(document.activeElement) ? document.activeElement : null;
  const from = held?.closest("[data-job]");
  build();
  if (!from) return;
  const label = held.getAttribute("aria-label") ?? held.textContent;
  const again = node.querySelector(`[data-job="${from.dataset.job}"]`)?.querySelectorAll("button, a") ?? [];
  [...again]
    .find((b) => (b.getAttribute("aria-label") ?? b.textContent) === label)
    ?.focus({ preventScroll: true });
}

const JOB_WORDS = /** @type {Record<string, string>} */ ({
  render: "Render",
  survey: "Survey",
  suggest: "Starting recipe",
  prepare: "Denoised pass",
});

/** Jobs of some kinds, with progress and cancel. @param {string[]} kinds @param {(job: any) => any} [more] @param {(job: any) => boolean} [wanted] */
export function jobList(kinds, more = () => null, wanted = () => true) {
  const node = h("div", { "aria-live": "polite" });
  const show = () =>
    keepFocus(node, () =>
      node.replaceChildren(
        ...state.jobs
          .filter((/** @type {any} */ j) => kinds.includes(j.kind) && wanted(j))
          .slice(-3)
          .reverse()
          .map((/** @type {any} */ job) => {
            const running = job.state === "running" || job.state === "queued";
            const bar = h("div");
            bar.style.width = `${job.total ? (100 * job.done) / job.total : running ? 4 : 100}%`;
            const left =
              job.seconds_left === null || job.seconds_left === undefined
                ? ""
                : `, ${Math.max(1, Math.round(job.seconds_left))} s left`;
            const word = {
              queued: "waiting",
              running: job.total ? `${job.done} of ${job.total}${left}` : "starting",
              done: "done",
              failed: "failed",
              cancelled: "cancelled",
            }[/** @type {"done"} */ (job.state)];
            return h(
              "div",
              { class: "job", dataset: { job: job.job, kind: job.kind, state: job.state } },
              h(
                "div",
                { class: "bar spread" },
                h("span", {}, h("span", { class: "strong", text: JOB_WORDS[job.kind] }), ` ${word}`),
                running
                  ? button({
                      label: `Cancel ${JOB_WORDS[job.kind].toLowerCase()}`,
                      text: "Cancel",
                      class: "small",
                      onclick: () => send({ type: "job_cancel", job: job.job }),
                    })
                  : null,
              ),
              running
                ? h(
                    "div",
                    {
                      class: "progress",
                      role: "progressbar",
                      "aria-label": JOB_WORDS[job.kind],
                      "aria-valuemin": 0,
                      "aria-valuemax": job.total || 1,
                      "aria-valuenow": job.done,
                    },
                    bar,
                  )
                : null,
              job.message && !(job.kind === "suggest" && job.state === "done")
                ? h("p", { class: "help", text: capital(job.message) })
                : null,
              job.files?.length
                ? h(
                    "div",
                    { class: "bar" },
                    ...job.files.map((/** @type {string} */ f) =>
                      h("a", {
                        class: "btn small",
                        href: `/api/jobs/${job.job}/${encodeURIComponent(f)}`,
                        target: "_blank",
                        rel: "noopener",
                        text: f,
                      }),
                    ),
                  )
                : null,
              more(job),
            );
          }),
      ),
    );
  const stop = on("jobs", show);
  show();
  return { node, stop };
}

/** @param {string} kind @param {Record<string, any>} [options] */
export const startJob = (kind, options = {}) => ask({ type: "job_start", kind, options }).catch(sayError);
