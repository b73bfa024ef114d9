// Tools beside the picture: zoom, sample, compare, wipe.

import { byId, button, h } from "./dom.js";
import { take, toolInHand } from "./gestures.js";
import { scaleNow, zoomBy, zoomToFit, zoomToPixels } from "./picture.js";
import { takeSampler } from "./sample.js";
import { on } from "./store.js";
import { look, view } from "./view.js";

const place = byId("tools");
const zoom = h("div", { class: "zoom", role: "status", "aria-label": "Zoom" });
/**
 * The word under an icon; the label starts what a screen reader says.
 * @param {string} word
 * @param {HTMLElement} node
 */
const worded = (word, node) => {
  node.append(h("span", { class: "word", text: word }));
  return node;
};
const sample = button({
  label: "Sample colours",
  icon: "sample",
  onclick: () => (toolInHand() === "sample" ? take(null) : takeSampler()),
});
const compare = button({ label: "Hold to see the plate", icon: "compare" });
const wipe = button({
  label: "Wipe between two views",
  icon: "wipe",
  onclick: () => look({ wipe: { ...view.wipe, on: !view.wipe.on } }),
});

place.append(
  worded("Fit", button({ label: "Fit the whole frame", icon: "fit", onclick: zoomToFit })),
  button({ label: "Single pixels, 1:1", icon: "pixels", onclick: () => zoomToPixels() }),
  button({ label: "Zoom in", icon: "plus", onclick: () => zoomBy(1.6) }),
  button({ label: "Zoom out", icon: "minus", onclick: () => zoomBy(1 / 1.6) }),
  zoom,
  h("hr"),
  worded("Sample", sample),
  h("hr"),
  worded("Plate", compare),
  worded("Wipe", wipe),
);

/** Show the plate for as long as it is held. @param {boolean} held */
export const hold = (held) => {
  if (view.compare !== held) look({ compare: held });
};
compare.addEventListener("pointerdown", (/** @type {PointerEvent} */ e) => {
  compare.setPointerCapture(e.pointerId);
  hold(true);
});
for (const type of ["pointerup", "pointercancel", "blur"]) compare.addEventListener(type, () => hold(false));
compare.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
  if (e.key === " " || e.key === "Enter") {
    e.preventDefault();
    hold(true);
  }
});
compare.addEventListener("keyup", () => hold(false));
compare.addEventListener("contextmenu", (/** @type {Event} */ e) => e.preventDefault());

function show() {
  sample.setAttribute("aria-pressed", String(toolInHand() === "sample"));
  compare.setAttribute("aria-pressed", String(view.compare));
  wipe.setAttribute("aria-pressed", String(view.wipe.on));
}
on("tool view step", show);
on("placed", () => {
  const share = scaleNow() * devicePixelRatio;
  zoom.textContent = share >= 1 ? `${Number(share.toFixed(1))}:1` : `${Math.round(share * 100)} %`;
});
show();
