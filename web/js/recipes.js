// Recipes: save as, load, download, and the history of saves.

import { button, h, sheet } from "./dom.js";
import { NAME_LENGTH } from "./limits.js";
import { capital } from "./paths.js";
import { state } from "./store.js";
import { say, sayError } from "./notice.js";
import { ask } from "./wire.js";

/** @import { HistoryEntry, Recipes, SavedRecipe } from "./wire-types.js" */

/** What to load: a saved recipe, or one of the history. @typedef {{name?: string, history?: number}} Which */

const LEAD = "Saved after every change. Keep a copy under a name to load it later, here or for another shot.";
const MOST_ENTRIES = 100;

export async function openRecipes() {
  const saved = h("ul", { class: "list" });
  const history = h("ul", { class: "list" });
  const name = h("input", {
    class: "text grow",
    type: "text",
    maxLength: NAME_LENGTH,
    "aria-label": "Name of the recipe",
    value: state.recipe.name,
  });
  const box = sheet(
    "Recipe",
    h("p", { class: "lead", text: LEAD }),
    ...ways(name, save),
    h("h3", { text: "Saved" }),
    saved,
    h("h3", { text: "History" }),
    history,
  );

  /** @param {Promise<Recipes>} asked */
  async function show(asked) {
    try {
      const got = await asked;
      const entries = got.history.slice(0, MOST_ENTRIES);
      const none = (/** @type {string} */ text) => h("li", { class: "quiet", text });
      saved.replaceChildren(
        ...rowsOr(
          got.saved.map((r) => savedRow(r, load)),
          none("None yet."),
        ),
      );
      history.replaceChildren(
        ...rowsOr(
          entries.map((r) => historyRow(r, load)),
          none("No changes yet."),
        ),
      );
    } catch (error) {
      sayError(/** @type {Error} */ (error));
    }
  }
  async function save() {
    const wanted = name.value.trim();
    if (wanted) await show(ask({ type: "recipe_save_as", name: wanted }));
  }
  /** @param {Which} which @param {string} label */
  async function load(which, label) {
    try {
      await ask({ type: "recipe_load", name: null, history: null, ...which });
      box.close();
      say(`Loaded: ${label}. Undo brings back what was before.`);
    } catch (error) {
      sayError(/** @type {Error} */ (error));
    }
  }
  await show(ask({ type: "recipes" }));
}

/** Saving and downloading. @param {HTMLElement} name @param {() => void} save */
const ways = (name, save) => [
  h(
    "div",
    { class: "linkline" },
    name,
    button({ label: "Save a copy under this name", text: "Save as", class: "primary", onclick: save }),
  ),
  h("p", {}, h("a", { class: "btn", href: "/api/recipe", download: "", text: "Download" })),
];

/** @param {HTMLElement[]} rows @param {HTMLElement} none */
const rowsOr = (rows, none) => (rows.length ? rows : [none]);

/** As ISO 8601 writes dates, which the Swedish locale does as well. @param {number} at */
const when = (at) => new Date(at * 1000).toLocaleString("sv", { dateStyle: "short", timeStyle: "short" });

/** @param {string} text @param {number} at @param {...Node} acts */
const row = (text, at, ...acts) =>
  h("li", {}, h("span", { class: "grow", text }), h("span", { class: "quiet", text: when(at) }), ...acts);

/** @param {SavedRecipe} r @param {(which: Which, label: string) => void} load */
function savedRow(r, load) {
  const address = `/api/recipes/${encodeURIComponent(r.name)}`;
  return row(
    r.name,
    r.at,
    h("a", { class: "btn small", href: address, download: "", text: "Download" }),
    button({
      label: `Load ${r.name}`,
      text: "Load",
      class: "small",
      onclick: () => load({ name: r.name }, r.name),
    }),
  );
}

/** @param {HistoryEntry} r @param {(which: Which, label: string) => void} load */
const historyRow = (r, load) =>
  row(
    capital(r.label),
    r.at,
    button({
      label: `Go back to: ${r.label}`,
      text: "Go back",
      class: "small",
      onclick: () => load({ history: r.history }, r.label),
    }),
  );
