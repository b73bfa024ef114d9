// Takes of a watched folder: a new one is announced and opens with the last recipe in one tap.

import { block, button, h } from "./dom.js";
import { say, sayError } from "./notice.js";
import { counted } from "./paths.js";
import { on, operator, state } from "./store.js";
import { startJob } from "./steps/common.js";
import { ask } from "./wire.js";

/** @param {string} take @param {boolean} keep_recipe */
const open = (take, keep_recipe) => ask({ type: "take_open", take, keep_recipe }).catch(sayError);

on("newtake", (take) => {
  if (operator()) say(`A new take has arrived: ${take.name}.`, { text: "Open it", run: () => open(take.take, true) });
});

const unjudged = () => state.takes.filter((/** @type {any} */ t) => t.ready && !t.verdict && !t.problem).map((/** @type {any} */ t) => t.take).reverse();

export function takesBlock() {
  const list = h("ul", { class: "list" });
  const all = h("button", { type: "button", class: "btn", title: "Every take of the watched folder that has no verdict yet", onclick: () => startJob("survey", { takes: unjudged() }) });
  const fold = block({ title: "In the watched folder", key: "takes", open: true }, list, h("div", { class: "bar" }, all));
  const show = () => {
    fold.hidden = state.takes.length === 0;
    const left = unjudged().length;
    all.hidden = !left || !operator();
    all.textContent = left === 1 ? "Survey the new take" : `Survey ${left} new takes`;
    all.disabled = state.jobs.some((/** @type {any} */ j) => j.kind === "survey" && (j.state === "running" || j.state === "queued"));
    fold.hint(`${state.takes.length}`);
    list.replaceChildren(...[...state.takes].sort((a, b) => b.at - a.at).slice(0, 60).map((t) => h("li", { dataset: { take: t.take } },
      h("span", { class: "grow" }, h("span", { class: t.open ? "strong" : "", text: t.name }), " ", h("span", { class: "quiet", text: [t.ready ? (t.frames ? counted(t.frames, "frame") : "") : "still being written", t.verdict, t.problem ? `cannot be opened: ${t.problem}` : ""].filter(Boolean).join(", ") })),
      t.open ? h("span", { class: "quiet", text: "open" }) : t.ready && operator() && !t.problem ? button({ label: `Open ${t.name} with this recipe`, text: "Open", class: "small", onclick: () => open(t.take, true) }) : null)));
  };
  const stop = on("takes jobs", show);
  show();
  return { node: fold, stop };
}
