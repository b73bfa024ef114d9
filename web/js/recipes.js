// Recipes: save as, load, download, and the history of saves.

import { button, h, sheet } from "./dom.js";
import { capital } from "./paths.js";
import { state } from "./store.js";
import { say, sayError } from "./notice.js";
import { ask } from "./wire.js";

export async function openRecipes() {
  const saved = h("ul", { class: "list" });
  const history = h("ul", { class: "list" });
  const name = h("input", {
    class: "text grow",
    type: "text",
    maxLength: 60,
    "aria-label": "Name of the recipe",
    value: state.recipe.name,
  });
  const box = sheet(
    "Recipe",
    h("p", {
      class: "lead",
      text: "Saved after every change. Keep a copy under a name to load it later, here or for another shot.",
    }),
    h(
      "div",
      { class: "linkline" },
      name,
      button({ label: "Save a copy under this name", text: "Save as", class: "primary", onclick: save }),
    ),
    h("p", {}, h("a", { class: "btn", href: "/api/recipe", download: "", text: "Download" })),
    h("h3", { text: "Saved" }),
    saved,
    h("h3", { text: "History" }),
    history,
  );

  async function save() {
    if (!name.value.trim()) return;
    try {
      show(await ask({ type: "recipe_save_as", name: name.value.trim() }));
    } catch (error) {
      sayError(/** @type {Error} */ (error));
    }
  }
  /** @param {any} what @param {string} label */
  async function load(what, label) {
    try {
      await ask({ type: "recipe_load", name: null, history: null, ...what });
      box.close();
      say(`Loaded: ${label}. Undo brings back what was before.`);
    } catch (error) {
      sayError(/** @type {Error} */ (error));
    }
  }
  // The Swedish locale writes dates as ISO 8601 does.
  const when = (/** @type {number} */ at) =>
    new Date(at * 1000).toLocaleString("sv", { dateStyle: "short", timeStyle: "short" });
  /** @param {any} got */
  function show(got) {
    saved.replaceChildren(
      ...(got.saved.length
        ? got.saved.map((/** @type {any} */ r) =>
            h(
              "li",
              {},
              h("span", { class: "grow", text: r.name }),
              h("span", { class: "quiet", text: when(r.at) }),
              h("a", {
                class: "btn small",
                href: `/api/recipes/${encodeURIComponent(r.name)}`,
                download: "",
                text: "Download",
              }),
              button({
                label: `Load ${r.name}`,
                text: "Load",
                class: "small",
                onclick: () => load({ name: r.name }, r.name),
              }),
            ),
          )
        : [h("li", { class: "quiet", text: "None yet." })]),
    );
    history.replaceChildren(
      ...(got.history.length
        ? got.history
            .slice(0, 100)
            .map((/** @type {any} */ r) =>
              h(
                "li",
                {},
                h("span", { class: "grow", text: capital(r.label) }),
                h("span", { class: "quiet", text: when(r.at) }),
                button({
                  label: `Go back to: ${r.label}`,
                  text: "Go back",
                  class: "small",
                  onclick: () => load({ history: r.history }, r.label),
                }),
              ),
            )
        : [h("li", { class: "quiet", text: "No changes yet." })]),
    );
  }
  try {
    show(await ask({ type: "recipes" }));
  } catch (error) {
    sayError(/** @type {Error} */ (error));
  }
}
