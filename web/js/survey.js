// A survey's answer: the verdict, its reasons in order of weight, what would help, and where.

import { button, h, s } from "./dom.js";
import { addOutline, drawOn, outline } from "./marks.js";
import { emit, state } from "./store.js";

const WORDS = /** @type {Record<string, string>} */ ({ keyable: "Keyable", keyable_with_work: "Keyable with work", relight: "Relight", no_screen_found: "No screen found", no_screen: "No screen found" });

const area = addOutline(s("path", { class: "area chosen" }));
/** @type {number[] | null} shares of the frame */
let shown = null;
drawOn(() => {
  const { width, height } = state.shot ?? { width: 0, height: 0 };
  const [x0, y0, x1, y1] = (shown ?? [0, 0, 0, 0]).map((v, i) => v * (i % 2 ? height : width));
  area.setAttribute("d", shown ? outline([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) : "");
});

/** @param {number[] | null} box */
function showArea(box) {
  shown = box;
  emit("placed");
}

/** @param {any} result */
export function surveyResult(result) {
  if (!result?.verdict) return null;
  const { name, reasons, caution } = result.verdict;
  const key = String(name).toLowerCase().replaceAll(" ", "_");
  return h("div", { class: "verdict", dataset: { verdict: key } },
    h("h3", { text: WORDS[key] ?? name }),
    h("p", { class: "help", text: result.sampling ?? "" }),
    h("ul", {}, ...reasons.slice(0, 8).map(reason)),
    h("p", { class: "help", text: caution ?? "" }));
}

/** @param {string} text */
const capital = (text) => text[0].toUpperCase() + text.slice(1);

/** @param {any} r */
function reason(r) {
  const where = r.box ? button({ label: `Show where: ${r.title}`, text: "Show where", class: "small", onclick: () => showArea(String(shown) === String(r.box) ? null : r.box) }) : null;
  return h("li", {}, h("div", { text: capital(r.text) }), r.remedy ? h("div", { class: "help", text: capital(r.remedy) }) : null, where);
}
