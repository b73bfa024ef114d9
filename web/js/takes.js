// Takes of a watched folder: a new one is announced and opens with the last recipe in one tap.

import { block, button, h } from "./dom.js";
import { say, sayError } from "./notice.js";
import { counted } from "./paths.js";
import { on, operator, state } from "./store.js";
import { startJob } from "./jobs.js";
import { ask } from "./wire.js";

/** @import { WatchedShot } from "./wire-types.js" */

const MOST_TAKES = 60;

/** @param {string} shot @param {boolean} keep_recipe */
const open = (shot, keep_recipe) => ask({ type: "shot_open", shot, keep_recipe }).catch(sayError);

on("newshot", (found) => {
  if (operator())
    say(`A new take has arrived: ${found.name}.`, { text: "Open it", run: () => open(found.shot, true) });
});

const unjudged = () =>
  state.watched
    .filter((t) => t.ready && !t.verdict && !t.problem)
    .map((t) => t.shot)
    .reverse();

export function takesBlock() {
  const list = h("ul", { class: "list" });
  const all = h("button", {
    type: "button",
    class: "btn",
    title: "Every take of the watched folder that has no verdict yet",
    onclick: () => startJob("survey", { shots: unjudged() }),
  });
  const fold = block(
    { title: "In the watched folder", key: "takes", open: true },
    list,
    h("div", { class: "bar" }, all),
  );
  const show = () => {
    fold.hidden = state.watched.length === 0;
    const left = unjudged().length;
    all.hidden = !left || !operator();
    all.textContent = left === 1 ? "Survey the new take" : `Survey ${left} new takes`;
    all.disabled = state.jobs.some(
      (j) => j.kind === "survey" && (j.state === "running" || j.state === "queued"),
    );
    fold.hint(`${state.watched.length}`);
    const newest = [...state.watched].sort((a, b) => b.at - a.at).slice(0, MOST_TAKES);
    list.replaceChildren(...newest.map(takeRow));
  };
  const stop = on("watched jobs", show);
  show();
  return { node: fold, stop };
}

/** @param {WatchedShot} t */
function takeRow(t) {
  const size = t.ready ? (t.frames ? counted(t.frames, "frame") : "") : "still being written";
  const problem = t.problem ? `cannot be opened: ${t.problem}` : "";
  const facts = [size, t.verdict, problem].filter(Boolean).join(", ");
  const name = h("span", { class: t.open ? "strong" : "", text: t.name });
  const act = button({
    label: `Open ${t.name} with this recipe`,
    text: "Open",
    class: "small",
    onclick: () => open(t.shot, true),
  });
  return h(
    "li",
    { dataset: { take: t.shot } },
    h("span", { class: "grow" }, name, " ", h("span", { class: "quiet", text: facts })),
    t.open ? h("span", { class: "quiet", text: "open" }) : t.ready && operator() && !t.problem ? act : null,
  );
}
