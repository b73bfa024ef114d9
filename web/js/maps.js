// A survey's maps: a picture of values with its scale, beside other things or laid over the picture.

import { h } from "./dom.js";
import { pictureBox, toStage } from "./picture.js";
import { emit, on, state } from "./store.js";
import { goTo } from "./transport.js";
import { plateFor } from "./view.js";

/** @import { MapPicture } from "./wire-types.js" */

const SHORT = /** @type {Record<string, string>} */ ({ evenness: "Evenness", alpha_noise: "Alpha noise" });
/** @param {MapPicture} map */
export const mapWord = (map) => SHORT[map.name] ?? map.title;

/** @param {MapPicture} map @param {string} alt */
export const mapImage = (map, alt) =>
  h("img", { class: "map", src: `data:image/png;base64,${map.png}`, alt });

const over = h("img", { class: "mapover", alt: "", hidden: true });
pictureBox.querySelector("canvas")?.after(over);
/** @type {number | null} the frame that the map is of */
let ofFrame = null;

/**
 * Lay a map over the picture, at the frame that it is of; null takes it away.
 * @param {MapPicture | null} map
 * @param {number | null} [frame]
 */
export function layOver(map, frame = null) {
  state.over = map;
  ofFrame = map ? frame : null;
  over.hidden = !map;
  plateFor("map", Boolean(map));
  if (map) {
    over.src = `data:image/png;base64,${map.png}`;
    if (frame !== null && frame !== state.playhead.frame) goTo(frame);
    waiting = frame !== null && frame !== state.playhead.frame;
  }
  emit("over");
  arrange();
}
/** The playhead is on its way to the map's frame. */
let waiting = false;

function arrange() {
  if (!state.over || !state.shot) return;
  const [x0, y0] = toStage(0, 0);
  const [x1, y1] = toStage(state.shot.width, state.shot.height);
  Object.assign(over.style, {
    left: `${x0}px`,
    top: `${y0}px`,
    width: `${x1 - x0}px`,
    height: `${y1 - y0}px`,
  });
}
on("placed", arrange);
on("playhead", () => {
  if (!state.over || ofFrame === null) return;
  if (state.playhead.frame === ofFrame) waiting = false;
  else if (!waiting) layOver(null);
});
on("shot", () => state.over && layOver(null));
