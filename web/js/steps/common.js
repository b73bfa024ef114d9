// Parts that several steps share: joining parts, what comes next, sampled colours.

import { button, h } from "../dom.js";
import { figure } from "../paths.js";
import { forget, takeSampler } from "../sample.js";
import { emit, on, operator, state } from "../store.js";

/** @import { Live } from "../form.js" */
/** @import { Taken } from "../store.js" */

/** @typedef {{label: string, text: string, run: () => void}} Act */

/** Join live parts into one. @param {Live[]} parts */
export function together(parts) {
  return {
    node: h("div", {}, ...parts.map((p) => p.node)),
    refresh: (/** @type {string[][] | undefined} */ changed) => parts.forEach((p) => p.refresh?.(changed)),
    tick: () => parts.forEach((p) => p.tick?.()),
    stop: () => parts.forEach((p) => p.stop?.()),
  };
}

/**
 * What comes next: why, and a button that goes there.
 * @param {string} name of the step
 * @param {string} title
 * @param {string} [why]
 */
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

/**
 * Colours sampled from the picture, with what can be done with one.
 * @param {(taken: Taken) => Act[]} acts
 */
export function sampleCards(acts = () => []) {
  const list = h("div", { class: "samples" });
  const more = button({
    label: "Sample colours from the picture",
    icon: "sample",
    text: "Sample",
    class: "small",
    onclick: takeSampler,
  });
  const head = h("div", { class: "bar spread" }, h("h3", { text: "Sampled colours" }), more);
  const none = "Tap a colour in the picture, or drag a box; its values appear here.";
  const show = () => {
    const cards = state.samples.map((taken) => card(taken, acts(taken)));
    list.replaceChildren(...(cards.length ? cards : [h("p", { class: "help", text: none })]));
  };
  const stop = on("samples", show);
  show();
  return { node: h("div", { class: "section" }, head, list), stop };
}

/** @param {string} name @param {number[] | null} values @param {number} step */
const valuesRow = (name, values, step) => {
  const cells = values?.map((v) => h("td", { text: figure(v, step) }));
  return cells ? h("tr", {}, h("th", { scope: "row", text: name }), ...cells) : null;
};

/** @param {Taken} taken @param {Act[]} acts */
function card(taken, acts) {
  const { sample, box } = taken;
  const patch = h("span", { class: "swatch" });
  patch.style.background = `rgb(${sample.display.join(" ")})`;
  const size =
    sample.pixels === 1 ? `point ${box[0]}, ${box[1]}` : `${box[2] - box[0]} × ${box[3] - box[1]} px`;
  const about = [
    size,
    `hue ${figure(sample.hue_deg, 1)}°`,
    `saturation ${figure(sample.saturation, 0.01)}`,
    sample.alpha === null ? "" : `α ${figure(sample.alpha, 0.001)}`,
  ];
  const facts = h("td", { class: "quiet", colSpan: 4, text: about.filter(Boolean).join(" · ") });
  const buttons = acts.map(({ label, text, run }) => button({ label, text, class: "small", onclick: run }));
  return h(
    "div",
    { class: "samplecard" },
    patch,
    h(
      "table",
      { "aria-label": `Values of a sampled colour, ${size}` },
      valuesRow("Linear", sample.linear, 0.0001),
      valuesRow(`Code${sample.code_bits ? `, ${sample.code_bits} bit` : ""}`, sample.code, 1),
      h("tr", {}, facts),
    ),
    button({ label: "Forget this colour", icon: "close", class: "flat", onclick: () => forget(taken) }),
    buttons.length && operator() ? h("div", { class: "acts bar" }, ...buttons) : null,
  );
}
