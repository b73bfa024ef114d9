// What is shown, above the picture: the usual views one tap away, all others in a list.

import { byId, dropdown, h, oneOf } from "./dom.js";
import { on, perFrame, state } from "./store.js";
import { VIEW_HELP, VIEW_WORDS, canShow, look, showView, view } from "./view.js";

/** @import { Channel, ViewName } from "./wire-types.js" */

/** @type {ViewName[]} */
const USUAL = ["plate", "matte", "despilled", "foreground", "composite"];
/** @type {[Channel, string][]} */
const CHANNELS = [
  ["colour", "Colour"],
  ["red", "Red"],
  ["green", "Green"],
  ["blue", "Blue"],
  ["luminance", "Luminance"],
];
/** @param {string} name */
const usualView = (name) => USUAL.some((usual) => usual === name);
const place = byId("views");

const usual = oneOf({
  label: "View",
  options: USUAL.map((value) => ({ value, text: VIEW_WORDS[value], title: VIEW_HELP[value] })),
  value: view.name,
  onpick: (name) => showView(/** @type {ViewName} */ (name)),
});
const more = h("select", {
  "aria-label": "More views",
  class: "more",
  onchange: () => more.value && showView(...viewOf(more.value)),
});
const channel = dropdown({
  label: "Channel",
  options: CHANNELS,
  value: "colour",
  onpick: (value) => look({ channel: /** @type {Channel} */ (value) }),
});
place.append(usual, more, channel);

/** View and extractor of an option's value. @param {string} value @returns {[ViewName, string]} */
export function viewOf(value) {
  const [name, extractor] = value.split("/");
  return [/** @type {ViewName} */ (name), extractor ?? ""];
}

/**
 * Options of all views wanted that can be shown, and every extractor's matte.
 * @param {(name: string) => boolean} wanted
 * @returns {HTMLElement[]}
 */
export function viewOptions(wanted) {
  const names = (state.views.length ? state.views : Object.keys(VIEW_WORDS)).filter(
    (/** @type {string} */ n) => wanted(n) && canShow(n),
  );
  const plain = names.map((/** @type {string} */ n) =>
    h("option", { value: `${n}/`, text: VIEW_WORDS[n] ?? n, title: VIEW_HELP[n] ?? "" }),
  );
  const mattes = (state.recipe?.extractors ?? []).map((e) =>
    h("option", { value: `matte/${e.id}`, text: e.name }),
  );
  return mattes.length ? [...plain, h("optgroup", { label: "Matte of" }, ...mattes)] : plain;
}

let last = "";
let shown = "";
const show = perFrame(() => {
  const mattes = (state.recipe?.extractors ?? []).map((e) => [e.id, e.name]);
  const key = JSON.stringify([state.views, canShow("denoised"), mattes]);
  if (key !== last) {
    last = key;
    more.replaceChildren(h("option", { value: "", text: "More" }), ...viewOptions((n) => !usualView(n)));
  }
  usual.show(view.extractor ? "" : view.name);
  const here = `${view.name}/${view.extractor}`;
  more.value = usualView(view.name) && !view.extractor ? "" : here;
  more.classList.toggle("chosen", Boolean(more.value));
  channel.value = view.channel;
  if (here !== shown) reveal();
  shown = here;
});

/** On a narrow screen the row scrolls: bring the chosen view into sight. */
function reveal() {
  const chosen = /** @type {HTMLElement | null} */ (
    more.value ? more : usual.querySelector("[aria-checked=true]")
  );
  if (!chosen || place.scrollWidth <= place.clientWidth) return;
  const [row, box] = [place.getBoundingClientRect(), chosen.getBoundingClientRect()];
  place.scrollLeft += box.left - row.left - (row.width - box.width) / 2;
}
on("view ready recipe", show);
