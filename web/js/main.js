// The page's beginning: loads the schema, builds the parts, connects.

import { byId } from "./dom.js";
import { useSchema } from "./schema.js";
import { emit, on, state } from "./store.js";
import { connect, hurry } from "./wire.js";
import { startSteps } from "./steps.js";
import { say } from "./notice.js";
import "./inbox.js";
import "./picture.js";
import "./gestures.js";
import "./cross.js";
import "./wipe.js";
import "./viewbar.js";
import "./tools.js";
import "./topbar.js";
import "./transport.js";
import "./flags.js";
import "./legend.js";
import "./notes.js";
import "./scope-dock.js";
import "./folds.js";
import "./keyboard.js";

const coarse = matchMedia("(any-pointer: coarse)");
const fitTouch = () =>
  document.documentElement.classList.toggle("touch", coarse.matches || navigator.maxTouchPoints > 0);
coarse.addEventListener("change", fitTouch);
fitTouch();

on("you", () => {
  byId("app").dataset.role = state.you.role;
});

async function begin() {
  const answer = await fetch("/api/schema");
  if (answer.status === 401 || answer.status === 403) return location.replace("/join");
  if (!answer.ok) throw new Error(String(answer.status));
  const { recipe, ...defaults } = await answer.json();
  useSchema(recipe);
  state.defaults = defaults;
  let started = false;
  on("you", () => {
    if (!started) startSteps();
    started = true;
  });
  connect();
  emit("link");
  document.documentElement.dataset.started = "yes";
}

addEventListener("online", hurry);
document.addEventListener("visibilitychange", () => document.hidden || hurry());
begin().catch(() => {
  state.link = "gone";
  state.trouble = "The server is not answering. Start it again, then reload this page.";
  emit("link");
  say(state.trouble, { text: "Reload", run: () => location.reload() });
});
