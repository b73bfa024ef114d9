// A survey's answer, in words and numbers; the shape of the result is the survey's own.

import { h } from "./dom.js";
import { figure, words } from "./paths.js";

const VERDICT = /** @type {Record<string, string>} */ ({ keyable: "Keyable", keyable_with_work: "Keyable with work", with_work: "Keyable with work", relight: "Relight", no_screen: "No screen found", no_screen_found: "No screen found" });

/** @param {any} result */
export function surveyResult(result) {
  if (!result) return null;
  const verdict = String(result.verdict ?? "");
  const reasons = (result.reasons ?? []).slice(0, 8).map((/** @type {any} */ r) => h("li", {}, typeof r === "string" ? r : reasonText(r)));
  return h("div", { class: "verdict" }, h("h3", { text: VERDICT[verdict.replaceAll(" ", "_")] ?? words(verdict) }),
    reasons.length ? h("ul", {}, ...reasons) : null,
    result.caution ? h("p", { class: "help", text: result.caution }) : null);
}

/** @param {any} r */
function reasonText(r) {
  const lead = r.sentence ?? r.message ?? r.text ?? words(r.name ?? r.what ?? "");
  const value = typeof r.value === "number" ? `: ${figure(r.value, 0.01)}${r.unit ? ` ${r.unit}` : ""}` : "";
  const limit = typeof r.threshold === "number" ? ` (limit ${figure(r.threshold, 0.01)})` : "";
  const help = r.remedy ? h("div", { class: "help", text: r.remedy }) : "";
  return h("span", {}, `${lead}${r.sentence || r.message ? "" : value + limit}`, help);
}
