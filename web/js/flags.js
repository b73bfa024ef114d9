// The line under the picture: what the picture is not (live, stressed, draft), hints of the tool
// in hand, and in calm what is shown.

import { button, h } from "./dom.js";
import { take, toolInHand, toolNow } from "./gestures.js";
import { say } from "./notice.js";
import { capital } from "./paths.js";
import { closeOutlineButton } from "./shape-tool.js";
import { on, operator, state } from "./store.js";
import { VIEW_HELP, canStress, look, view, viewTitle } from "./view.js";
import { FLAG, keepsTrying, tryNow } from "./wire.js";

const place = /** @type {HTMLElement} */ (document.getElementById("flags"));
const what = /** @type {HTMLElement} */ (document.getElementById("shown"));
const box = /** @type {HTMLElement} */ (document.getElementById("picture"));
let flags = 0;
let seen = false;
let shown = "";

/** The picture is worked by keys just now. */
const byKeys = () => box.matches(":focus-visible");

function list() {
  const out = [];
  if (seen && state.link !== "on")
    out.push(["stale", `Not live: ${state.trouble || "the connection is lost, trying again"}`]);
  const { preset, gain } = view.stress;
  if (canStress(view.name) && preset !== "off")
    out.push([
      "stress",
      `Stress, ${preset === "screen" ? "screen noise" : "core holes"}, gain ${Number(gain.toFixed(2))}: not what the matte looks like`,
    ]);
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

function show() {
  const { name, extractor } = view;
  what.textContent = state.over
    ? `${state.over.title}: measured by the survey, laid over the plate`
    : `${viewTitle(name, extractor)}: ${extractor ? "the matte of this extractor alone" : VIEW_HELP[name]}`;
  const now = JSON.stringify([list(), toolInHand()]);
  if (now === shown) return;
  shown = now;
  place.replaceChildren(
    ...list().map(([kind, text]) => {
      const flag = h(
        "div",
        { class: `flag ${kind}`, dataset: { flag: kind.split(" ")[0] }, title: text },
        h("span", { text }),
      );
      if (kind === "stale" && keepsTrying())
        flag.append(
          button({ label: "Try to reach the server now", text: "Try now", class: "small", onclick: tryNow }),
        );
      if (kind === "trouble")
        flag.append(
          button({ label: "Read the whole message", text: "Read", class: "small", onclick: () => say(text) }),
        );
      if (kind === "stress")
        flag.append(
          button({
            label: "End the stress view",
            text: "End",
            class: "small",
            onclick: () => look({ stress: { ...view.stress, preset: "off" } }),
          }),
        );
      if (kind.startsWith("hint"))
        flag.append(
          ...[
            closeOutlineButton(),
            button({ label: "Put the tool away", text: "Done", class: "small", onclick: () => take(null) }),
          ].filter(Boolean),
        );
      return flag;
    }),
  );
}

const waiting = h("div", { class: "waiting" }, h("strong"), h("span"));
box.append(waiting);
function showWaiting() {
  const gone = state.link === "gone";
  waiting.hidden = seen && !gone ? true : seen;
  waiting.firstChild.textContent = gone ? "The server is gone" : "Opening the shot";
  waiting.lastChild.textContent = gone ? state.trouble : "The first picture appears here in a moment.";
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
