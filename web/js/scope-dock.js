// The scopes under the picture: histogram, waveform, vectorscope of the view that is shown.

import { h } from "./dom.js";
import { drawHistogram, drawVectorscope, drawWaveform } from "./scope-draw.js";
import { on, perFrame, state } from "./store.js";
import { view, viewTitle } from "./view.js";
import { wantShown } from "./scopes.js";

const place = /** @type {HTMLElement} */ (document.getElementById("scopes"));
const app = /** @type {HTMLElement} */ (document.getElementById("app"));

/** @type {Record<string, any>} */
const boxes = {};
const caption = h("span", { class: "cap" });
for (const [kind, title] of [["histogram", "Histogram, scene-linear"], ["waveform", "Waveform, display code"], ["vectorscope", "Vectorscope, BT.709"]]) {
  const canvas = h("canvas", { role: "img", "aria-label": title });
  boxes[kind] = canvas;
}
place.append(h("div", { class: "scoperow" },
  h("div", { class: "scope", dataset: { kind: "histogram" } }, boxes.histogram, caption),
  h("div", { class: "scope", dataset: { kind: "waveform" } }, boxes.waveform, h("span", { class: "cap", text: "Waveform" })),
  h("div", { class: "scope", dataset: { kind: "vectorscope" } }, boxes.vectorscope, h("span", { class: "cap", text: "Vectorscope" })),
));

/** Views in measuring colours; the histogram beside them is the plate's. */
const MEASURING = ["evenness", "alpha_noise", "deciding"];
/** @type {any} */
let last = null;
const draw = perFrame(() => {
  const { name, extractor } = last ?? view;
  caption.textContent = `Histogram of ${MEASURING.includes(name) ? "plate" : viewTitle(name, extractor).toLowerCase()}`;
  if (!last) return;
  if (last.histogram) drawHistogram(boxes.histogram, last.histogram);
  if (last.waveform) drawWaveform(boxes.waveform, last.waveform);
  if (last.vectorscope) drawVectorscope(boxes.vectorscope, last.vectorscope, last.targets, state.samples);
  place.dataset.drawn = `${last.name} ${last.frame} ${last.revision}`;
});

/** @type {(() => void)[]} */
let stops = [];
const take = (/** @type {any} */ scope) => { last = scope; draw(); };

export const scopesOpen = () => app.dataset.scopes === "open";

/** @param {boolean} open */
export function openScopes(open) {
  app.dataset.scopes = open ? "open" : "closed";
  localStorage.setItem("scopes", app.dataset.scopes);
  stops.forEach((f) => f());
  stops = open ? ["histogram", "waveform", "vectorscope"].map((kind) => wantShown(kind, take)) : [];
}

new ResizeObserver(draw).observe(place);
on("samples view", draw);
