// What is shown, above the picture: the usual views one tap away, all others in a list.

import { byId, dropdown, h, oneOf } from "./dom.js";
import { on, perFrame, state } from "./store.js";
import { canShow, look, showView, view, viewInfo } from "./view.js";

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

/** The usual views; there once the table of views has come. @type {ReturnType<typeof oneOf> | null} */
let usual = null;
function makeUsual() {
  usual = oneOf({
    label: "View",
    options: USUAL.map(viewInfo).map((row) => ({ value: row.name, text: row.title, title: row.help })),
    value: view.name,
    onpick: (name) => showView(/** @type {ViewName} */ (name)),
  });
  place.prepend(usual);
}
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
place.append(more, channel);

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
  const rows = state.views.filter((row) => wanted(row.name) && canShow(row.name));
  const plain = rows.map((row) => h("option", { value: `${row.name}/`, text: row.title, title: row.help }));
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
  if (!usual && state.views.length) makeUsual();
  usual?.show(view.extractor ? "" : view.name);
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
    more.value ? more : usual?.querySelector("[aria-checked=true]")
  );
  if (!chosen || place.scrollWidth <= place.clientWidth) return;
  const [row, box] = [place.getBoundingClientRect(), chosen.getBoundingClientRect()];
  place.scrollLeft += box.left - row.left - (row.width - box.width) / 2;
}
on("view ready recipe", show);
