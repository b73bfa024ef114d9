// The line under the picture: what the picture is not (live, stressed, draft), hints of the tool
// in hand, and in calm what is shown.

import { byId, button, h } from "./dom.js";
import { take, toolInHand, toolNow } from "./gestures.js";
import { say } from "./notice.js";
import { capital } from "./paths.js";
import { FLAG } from "./protocol.js";
import { closeOutlineButton } from "./shape-tool.js";
import { on, operator, state } from "./store.js";
import { canStress, look, view, viewInfo, viewTitle } from "./view.js";
import { keepsTrying, tryNow } from "./wire.js";

const place = byId("flags");
const what = byId("shown");
const box = byId("picture");
let flags = 0;
let seen = false;
let shown = "";

/** The picture is worked by keys just now. */
const byKeys = () => box.matches(":focus-visible");

/** What there is to say: [kind, sentence]. @returns {[string, string][]} */
function list() {
  /** @type {[string, string][]} */
  const out = [];
  if (seen && state.link !== "on")
    out.push(["stale", `Not live: ${state.trouble || "the connection is lost, trying again"}`]);
  const { preset, gain } = view.stress;
  if (canStress(view.name) && preset !== "off") {
    const what = preset === "screen" ? "screen noise" : "core holes";
    out.push(["stress", `Stress, ${what}, gain ${Number(gain.toFixed(2))}: not what the matte looks like`]);
  }
  if (flags & FLAG.missing) out.push(["missing", "This frame is missing"]);
  if (flags & FLAG.fallback)
    out.push(["fallback", "Made by the cpu engine: the cuda engine failed at this frame"]);
  if (flags & FLAG.draft)
    out.push(["draft soft", "Draft: the full resolution follows when the control rests"]);
  if (operator() && state.message) out.push(["trouble", capital(state.message)]);
  if (view.compare) out.push(["compare soft", "Plate, while the button is held"]);
  if (toolInHand() !== "hand") out.push(["hint soft", (byKeys() ? toolNow().keyHint : toolNow().hint) ?? ""]);
  return out;
}

/** What can be done about it. @param {string} kind @param {string} text */
function actsOn(kind, text) {
  const act = (/** @type {string} */ label, /** @type {string} */ word, /** @type {() => void} */ onclick) =>
    button({ label, text: word, class: "small", onclick });
  if (kind === "stale" && keepsTrying()) return [act("Try to reach the server now", "Try now", tryNow)];
  if (kind === "trouble") return [act("Read the whole message", "Read", () => say(text))];
  if (kind === "stress")
    return [act("End the stress view", "End", () => look({ stress: { ...view.stress, preset: "off" } }))];
  if (kind.startsWith("hint"))
    return [closeOutlineButton(), act("Put the tool away", "Done", () => take(null))];
  return [];
}

function show() {
  const { name, extractor } = view;
  what.textContent = state.over
    ? `${state.over.title}: measured by the survey, laid over the plate`
    : `${viewTitle(name, extractor)}: ${extractor ? "the matte of this extractor alone" : viewInfo(name).help}`;
  const now = JSON.stringify([list(), toolInHand()]);
  if (now === shown) return;
  shown = now;
  place.replaceChildren(
    ...list().map(([kind, text]) =>
      h(
        "div",
        { class: `flag ${kind}`, dataset: { flag: kind.split(" ")[0] }, title: text },
        h("span", { text }),
        ...actsOn(kind, text),
      ),
    ),
  );
}

const waitingFor = h("strong");
const waitingWhy = h("span");
const waiting = h("div", { class: "waiting" }, waitingFor, waitingWhy);
box.append(waiting);
function showWaiting() {
  const gone = state.link === "gone";
  waiting.hidden = seen && !gone ? true : seen;
  waitingFor.textContent = gone ? "The server is gone" : "Opening the shot";
  waitingWhy.textContent = gone ? state.trouble : "The first picture appears here in a moment.";
}

on("picture", ({ meta }) => {
  if (meta.port === 0) {
    flags = meta.flags;
    box.dataset.shown = meta.key;
    box.dataset.region = String(meta.region);
  } else box.dataset.second = meta.key;
  seen = true;
  waiting.hidden = true;
  box.dataset.revision = String(meta.revision);
  box.dataset.frame = String(meta.frame);
  box.dataset.quality = meta.flags & FLAG.moving ? "moving" : "rest";
  box.dataset.pictures = String(Number(box.dataset.pictures ?? 0) + 1);
  show();
});
for (const type of ["focus", "blur"]) box.addEventListener(type, show);
on("view tool playhead ready recipe over status", show);
on("link", () => {
  showWaiting();
  box.dataset.live = String(state.link === "on");
  show();
});
showWaiting();
