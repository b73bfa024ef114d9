// Keys for the whole page. Only combinations with Ctrl or Cmd are always on; single keys work while
// they are switched on (WCAG 2.2, 2.1.4), and never while typing.

import { h, toggle } from "./dom.js";
import { travel } from "./edits.js";
import { fold, fullScreen, pictureAlone } from "./folds.js";
import { take, toolInHand } from "./gestures.js";
import { zoomToFit } from "./picture.js";
import { operator } from "./store.js";
import { hold } from "./tools.js";
import { playOrPause, stepBy } from "./transport.js";

let single = localStorage.getItem("single-keys") !== "off";
/** The button that was pressed last by pointer: it has the focus, and yet keys are for the page. */
let pressed = /** @type {Element | null} */ (null);
document.addEventListener("pointerdown", (e) => {
  pressed = e.target instanceof Element ? e.target.closest("button, summary, a") : null;
});
document.addEventListener("focusin", (e) => {
  if (e.target !== pressed) pressed = null;
});

/**
 * Whether keys belong to what has the focus: text, lists, and what was reached by keys.
 * @param {EventTarget | null} target
 */
function busy(target) {
  if (!(target instanceof Element)) return false;
  if (target.closest("input, select, textarea, dialog")) return true;
  const held = target.closest("button, summary, a");
  return Boolean(held) && held !== pressed;
}

/** What single keys do when they go down. @type {Record<string, () => void>} */
const DOWN = {
  " ": playOrPause,
  ",": () => stepBy(-1),
  ".": () => stepBy(1),
  w: zoomToFit,
  p: () => hold(true),
  t: () => fold("tools"),
  s: () => fold("steps"),
  o: () => fold("scopes"),
  h: pictureAlone,
  f: fullScreen,
};
/** Keys that act again while they are held. */
const REPEATING = [",", "."];

/**
 * Escape closes what is open, the newest thing first; sheets close by themselves.
 * @param {Element | null} target
 */
function escape(target) {
  if (document.querySelector("dialog[open]")) return false;
  if (toolInHand() !== "hand") {
    take(null);
    return true;
  }
  const help = /** @type {HTMLElement | null | undefined} */ (
    target?.closest(".field")?.querySelector(".name[aria-expanded=true]")
  );
  const toast = /** @type {HTMLElement | null} */ (document.querySelector(".toast:last-child"));
  if (help) help.click();
  else toast?.remove();
  return Boolean(help ?? toast);
}

document.addEventListener("keydown", (e) => {
  if (e.key === "Escape" && !e.defaultPrevented && escape(e.target instanceof Element ? e.target : null))
    return e.preventDefault();
  const modified = e.ctrlKey || e.metaKey;
  if (modified && !e.altKey && e.key.toLowerCase() === "z" && operator()) {
    if (
      e.target instanceof HTMLTextAreaElement ||
      (e.target instanceof HTMLInputElement && e.target.dataset.typing)
    )
      return;
    e.preventDefault();
    return travel(e.shiftKey ? "redo" : "undo");
  }
  if (modified || e.altKey || !single || busy(e.target)) return;
  const act = DOWN[e.key.toLowerCase()];
  if (!act || e.defaultPrevented) return;
  e.preventDefault();
  if (!e.repeat || REPEATING.includes(e.key)) act();
});
document.addEventListener("keyup", (e) => {
  if (e.key.toLowerCase() === "p") hold(false);
});
addEventListener("blur", () => hold(false));

/** @type {[string, string[][]][]} */
const KEYS = [
  [
    "Anywhere, single keys",
    [
      ["Space", "play, pause"],
      [", and .", "a frame back, a frame on"],
      ["W", "whole picture"],
      ["P", "the plate, while it is held"],
      ["T, S, O", "fold tools, steps, scopes away or back"],
      ["H", "the picture alone, and back"],
      ["F", "full screen"],
    ],
  ],
  [
    "Anywhere",
    [
      ["Ctrl or Cmd Z", "undo; with Shift redo"],
      ["Escape", "put the tool away, close what is open"],
    ],
  ],
  [
    "On the picture",
    [
      ["Arrows", "pan"],
      ["+ and \u2212", "zoom"],
      ["0 and 1", "whole frame, single pixels"],
    ],
  ],
  [
    "With a tool in hand",
    [
      ["Arrows", "move the cross-hair; with Shift by single pixels"],
      ["Enter", "set a corner or a point"],
    ],
  ],
  [
    "On a slider",
    [
      ["Arrows", "a step; with Shift a tenth"],
      ["Delete", "back to the default"],
    ],
  ],
];

/** A switch for the single keys, and what keys there are. */
export function keyboardSwitch() {
  return h(
    "details",
    { class: "block" },
    h("summary", {}, "Keyboard"),
    h(
      "div",
      { class: "body" },
      toggle({
        label: "Single keys",
        value: single,
        onflip: (on) => {
          single = on;
          localStorage.setItem("single-keys", on ? "on" : "off");
        },
      }),
      ...KEYS.flatMap(([where, keys]) => [
        h("h3", { class: "part", text: where }),
        h(
          "dl",
          { class: "keys" },
          ...keys.flatMap(([key, act]) => [h("dt", { text: key }), h("dd", { text: act })]),
        ),
      ]),
    ),
  );
}
