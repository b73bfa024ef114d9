// Which display transform the picture is seen through, from the colour configuration in use.

import { h } from "./dom.js";
import { change } from "./edits.js";
import { operator, state } from "./store.js";

export function displayChoice() {
  const display = h("select", { "aria-label": "Display" });
  const through = h("select", { "aria-label": "View transform" });
  const put = () =>
    change(
      [
        { op: "set", path: ["look", "display"], value: display.value },
        { op: "set", path: ["look", "view"], value: through.value },
      ],
      { label: "Display" },
    );
  display.addEventListener("change", () => {
    through.value = "";
    put();
  });
  through.addEventListener("change", put);
  const line = (/** @type {string} */ text, /** @type {Node} */ control) =>
    h("div", { class: "field" }, h("div", { class: "line" }, h("span", { class: "grow", text }), control));
  const facts = h("p", { class: "help" });
  const refresh = () => {
    const offered = state.colour.displays;
    const { display: d, view: v } = state.recipe.look;
    const fill = (
      /** @type {HTMLSelectElement} */ select,
      /** @type {string[]} */ names,
      /** @type {string} */ chosen,
    ) => {
      select.replaceChildren(
        h("option", { value: "", text: "Default" }),
        ...names.map((text) => h("option", { value: text, text })),
      );
      select.value = chosen;
      select.disabled = !operator();
    };
    fill(display, Object.keys(offered), d);
    fill(through, offered[d] ?? Object.values(offered)[0] ?? [], v);
    const { input, working, config } = state.colour;
    const more = config ? `, configuration ${config}` : "";
    facts.textContent = `Input ${input || "as the file says"}, working space ${working}${more}.`;
  };
  refresh();
  return { node: h("div", {}, line("Display", display), line("View transform", through), facts), refresh };
}
