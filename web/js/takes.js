// Takes of a watched folder: a new one is announced and opens with the last recipe in one tap.

import { block, button, h } from "./dom.js";
import { say, sayError } from "./notice.js";
import { on, operator, state } from "./store.js";
import { ask } from "./wire.js";

/** @param {string} take @param {boolean} keep_recipe */
const open = (take, keep_recipe) => ask({ type: "take_open", take, keep_recipe }).catch(sayError);

on("newtake", (take) => {
  if (operator()) say(`A new take has arrived: ${take.name}.`, { text: "Open it", run: () => open(take.take, true) });
});

export function takesBlock() {
  const list = h("ul", { class: "list" });
  const fold = block({ title: "In the watched folder", key: "takes", open: true }, list);
  const show = () => {
    fold.hidden = state.takes.length === 0;
    fold.hint(`${state.takes.length}`);
    list.replaceChildren(...[...state.takes].sort((a, b) => b.at - a.at).slice(0, 60).map((t) => h("li", { dataset: { take: t.take } },
      h("span", { class: "grow" }, h("span", { class: t.open ? "strong" : "", text: t.name }), " ", h("span", { class: "quiet", text: [t.ready ? `${t.frames} frames` : "still being written", t.verdict].filter(Boolean).join(", ") })),
      t.open ? h("span", { class: "quiet", text: "open" }) : t.ready && operator() ? button({ label: `Open ${t.name} with this recipe`, text: "Open", class: "small", onclick: () => open(t.take, true) }) : null)));
  };
  const stop = on("takes", show);
  show();
  return { node: fold, stop };
}
