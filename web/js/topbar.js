// The bar on top: the shot, undo and redo, engine, latency and connection, who is there.

import { byId, button, h, icon } from "./dom.js";
import { travel, unsaved } from "./edits.js";
import { openPeople } from "./people.js";
import { openRecipes } from "./recipes.js";
import { startFollowing } from "./view.js";
import { on, operator, perFrame, state } from "./store.js";
import { say } from "./notice.js";

const name = byId("shot-name");
const facts = byId("shot-facts");
const history = byId("history");
const status = byId("status");

/** What there is to know of the shot, in short. */
function factsOf() {
  const { shot } = state;
  const moving = shot.kind !== "still";
  return [
    `${shot.width} × ${shot.height}`,
    moving ? `${shot.first}–${shot.last}` : "still",
    moving ? `${Number(shot.fps.toFixed(3))} fps` : "",
    shot.bits ? `${shot.bits} bit` : "",
    shot.chroma ?? "",
    shot.colourspace,
  ].filter(Boolean);
}

on("shot", () => {
  name.textContent = state.shot.name;
  document.title = `${state.shot.name} · Verdigris`;
  facts.textContent = factsOf().join(" · ");
  name.title = facts.title = `${state.shot.name}: ${facts.textContent}`;
});

const undo = button({ label: "Undo", icon: "undo", class: "flat", onclick: () => travel("undo") });
const redo = button({ label: "Redo", icon: "redo", class: "flat", onclick: () => travel("redo") });
const recipes = button({
  label: "Recipes: save as, load, download, history",
  icon: "file",
  class: "flat",
  onclick: openRecipes,
});
on("history you", () => {
  if (!operator()) return history.replaceChildren();
  if (!undo.isConnected) history.append(undo, redo, recipes);
  for (const [b, word, step] of /** @type {[HTMLButtonElement, string, string | null][]} */ ([
    [undo, "Undo", state.undo],
    [redo, "Redo", state.redo],
  ])) {
    b.disabled = step === null || step === undefined;
    b.title = step ? `${word}: ${step}` : `Nothing to ${word.toLowerCase()}`;
    b.setAttribute("aria-label", b.title);
  }
});

const engine = h("span", { class: "engine" });
const latencyFigure = h("span", { class: "num", text: "–" });
const latency = h(
  "span",
  { class: "latency blank", title: "From moving a control to the picture drawn, median of the last ones" },
  latencyFigure,
  " ms to draw",
);
const link = h("button", { type: "button", class: "btn flat small light", onclick: explain });
const follow = button({
  label: "Follow the operator",
  text: "Follow",
  class: "small primary follow",
  onclick: startFollowing,
});
const people = button({
  label: "Who is watching",
  icon: "people",
  text: "1",
  class: "flat people",
  onclick: openPeople,
});
status.append(follow, engine, latency, link, people);

const WORDS = { on: "Connected", trying: "Connecting", gone: "No server" };

const show = perFrame(() => {
  engine.textContent = state.engine ? `${state.engine.name} engine` : "";
  engine.title = state.engine ? `${state.engine.description}: ${state.engine.reason}` : "";
  latency.classList.toggle("blank", state.latency === null); // its place is kept
  latencyFigure.textContent = state.latency === null ? "–" : String(Math.round(state.latency));
  const waiting = unsaved();
  link.dataset.state = state.link;
  link.textContent = WORDS[state.link] + (waiting && state.link !== "on" ? `, ${waiting} kept` : "");
  link.title = state.trouble || `Render ${ms("render")}, encode ${ms("encode")}, decode ${ms("decode")}`;
  people.replaceChildren(icon("people"), String(Math.max(1, state.people.length)));
  follow.hidden = operator();
  follow.disabled = state.follow;
  follow.textContent = state.follow ? "Following" : "Follow";
});
on("status link people you following recipe", show);

/** @param {string} key */
const ms = (key) => (state.timing?.[key] === undefined ? "–" : `${state.timing[key].toFixed(1)} ms`);

function explain() {
  if (state.trouble) return say(state.trouble);
  const { engine: e, timing } = state;
  say(
    `${e?.name} engine on ${e?.description}: ${e?.reason}. Medians: ${
      Object.entries(timing)
        .map(([k, v]) => `${k} ${Number(v).toFixed(1)} ms`)
        .join(", ") || "none yet"
    }.`,
  );
}
