// The scopes under the picture: histogram, waveform, vectorscope of the view that is shown (of the
// plate while a view shows measuring colours).

import { byId, h } from "./dom.js";
import { isOpen } from "./folds.js";
import { drawHistogram, drawVectorscope, drawWaveform } from "./scope-draw.js";
import { on, perFrame, state } from "./store.js";
import { view, viewTitle } from "./view.js";
import { wantShown } from "./scopes.js";

const place = byId("scopes");

/** @import { Scope, ScopeKind } from "./wire-types.js" */

/** @type {Record<string, HTMLCanvasElement>} */
const boxes = {};
/** @type {Record<string, HTMLElement>} */
const captions = {};
for (const [kind, title] of [
  ["histogram", "Histogram, scene-linear"],
  ["waveform", "Waveform, display code"],
  ["vectorscope", "Vectorscope, BT.709"],
]) {
  boxes[kind] = h("canvas", { role: "img", "aria-label": title });
  captions[kind] = h("span", { class: "cap" });
}
place.append(
  h(
    "div",
    { class: "scoperow" },
    ...Object.keys(boxes).map((kind) =>
      h("div", { class: "scope", dataset: { kind } }, boxes[kind], captions[kind]),
    ),
  ),
);

/**
 * Say what the scopes are of, which is not always what is shown.
 * @param {{name: string, extractor: string}} of
 */
function caption({ name, extractor }) {
  const raw = name === "matte" && view.stress.preset !== "off" ? "raw " : "";
  const what = `${raw}${viewTitle(name, extractor).toLowerCase()}`;
  for (const [kind, title] of [
    ["histogram", "Histogram"],
    ["waveform", "Waveform"],
    ["vectorscope", "Vectorscope"],
  ]) {
    captions[kind].replaceChildren(h("span", { text: `${title} ` }), h("span", { text: `of ${what}` }));
    captions[kind].title = `${title} of ${what}`;
  }
}
/** @type {Scope | null} */
let last = null;
const draw = perFrame(() => {
  caption(last ?? view);
  if (!last) return;
  if (last.histogram) drawHistogram(boxes.histogram, last.histogram);
  if (last.waveform) drawWaveform(boxes.waveform, last.waveform);
  if (last.vectorscope) drawVectorscope(boxes.vectorscope, last.vectorscope, last.targets, state.samples);
  place.dataset.drawn = `${last.name} ${last.frame} ${last.revision}`;
});

/** @type {ScopeKind[]} */
const KINDS = ["histogram", "waveform", "vectorscope"];
/** @type {(() => void)[]} */
let stops = [];
const take = (/** @type {Scope} */ scope) => {
  last = scope;
  draw();
};

/** Ask for scopes only while they are seen. */
function follow() {
  const open = isOpen("scopes");
  if (open === stops.length > 0) return;
  stops.forEach((f) => f());
  stops = open ? KINDS.map((kind) => wantShown(kind, take)) : [];
}

new ResizeObserver(draw).observe(place);
on("samples view", draw);
on("folds", follow);
