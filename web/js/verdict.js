// A survey's answer: the verdict, what to do in order, why, and where in the picture.

import { button, h, s } from "./dom.js";
import { addOutline, drawOn, outline } from "./marks.js";
import { sentence } from "./paths.js";
import { emit, on, state } from "./store.js";
import { goTo } from "./transport.js";
import { plateFor, stopFollowing } from "./view.js";

/** @import { Box, Reason, Verdict, WholeTake } from "./wire-types.js" */

const WORDS = /** @type {Record<string, string>} */ ({
  keyable: "Keyable",
  "keyable with work": "Keyable with work",
  relight: "Relight",
  "no screen found": "No screen found",
});
/** A full, a half and an empty disc, and a crossed one: told apart without colour. */
const SIGNS = /** @type {Record<string, string>} */ ({
  keyable: "M8 2a6 6 0 0 1 0 12A6 6 0 0 1 8 2z",
  "keyable with work": "M8 2a6 6 0 0 0 0 12z",
  relight: "",
  "no screen found": "M3.8 3.8l8.4 8.4",
});

/** @param {string} name */
export const verdictKey = (name) => name.replaceAll(" ", "_");

/** The verdict in a word and a sign. @param {string} name */
export function verdictWord(name) {
  return h(
    "span",
    { class: "judged" },
    s(
      "svg",
      { viewBox: "0 0 16 16", class: "sign", "aria-hidden": "true" },
      s("circle", { cx: 8, cy: 8, r: 6 }),
      s("path", { d: SIGNS[name] ?? "" }),
    ),
    h("span", { text: WORDS[name] ?? name }),
  );
}

const area = addOutline(s("path", { class: "area chosen place" }));
/** @type {Box | null} shares of the frame */
let shown = null;
drawOn(() => {
  const [x0, y0, x1, y1] = inFrame(shown ?? [0, 0, 0, 0]);
  area.setAttribute(
    "d",
    shown
      ? outline([
          [x0, y0],
          [x1, y0],
          [x1, y1],
          [x0, y1],
        ])
      : "",
  );
});

/** @param {Box} box @returns {Box} */
function inFrame(box) {
  const { width, height } = state.shot ?? { width: 0, height: 0 };
  const [x0, y0, x1, y1] = box;
  return [x0 * width, y0 * height, x1 * width, y1 * height];
}

/**
 * Outline a place and bring it into the picture, or go back to the whole frame.
 * @param {Box | null} box
 * @param {number | null} [frame]
 */
export function showPlace(box, frame = null) {
  shown = box;
  plateFor("place", Boolean(box));
  if (box && frame !== null && frame !== state.playhead.frame) goTo(frame);
  stopFollowing();
  emit("followregion", box && around(box));
  emit("placed");
}

/** The part of the frame to look at: the place and as much around it. @param {Box} box */
function around(box) {
  const [x0, y0, x1, y1] = box;
  const size = Math.max(x1 - x0, y1 - y0) * 2;
  if (size > 0.8) return null;
  const half = Math.max(size, 0.25) / 2;
  const middle = [(x0 + x1) / 2, (y0 + y1) / 2].map((v) => Math.min(1 - half, Math.max(half, v)));
  return inFrame([middle[0] - half, middle[1] - half, middle[0] + half, middle[1] + half]);
}

/** The outline goes with the step and with the shot. */
export function hidePlace() {
  if (shown) showPlace(null);
}
on("shot", () => {
  shown = null;
  plateFor("place", false);
});

/** A number and its percent sign stay on one line. @param {string} text */
export const held = (text) => text.replaceAll(" %", "\u00a0%");
/** @param {string} text */
const said = (text) => held(sentence(text));

/**
 * The reasons as a list of things to do. onplace: shows where one is, in a picture of the caller's.
 * @param {Verdict} verdict @param {((box: Box | null) => void) | null} onplace
 */
export function toDo(verdict, onplace) {
  const { reasons } = verdict;
  if (!reasons.length) return h("p", { text: "Nothing to do: every measure is within its limits." });
  /** @type {HTMLElement[]} */
  const buttons = [];
  return h(
    "ol",
    { class: "todo" },
    ...reasons.map((r, /** @type {number} */ i) =>
      h(
        "li",
        {},
        h("span", { class: "rank", text: String(i + 1), "aria-hidden": "true" }),
        h(
          "div",
          { class: "grow" },
          h("p", { class: "strong", text: r.remedy ? said(r.remedy) : said(r.text) }),
          r.remedy ? h("p", { class: "why", text: said(r.text) }) : null,
          r.box && onplace ? place(r, onplace, buttons) : null,
        ),
      ),
    ),
  );
}

/** @param {Reason} r @param {(box: Box | null) => void} onplace @param {HTMLElement[]} buttons of the same list */
function place(r, onplace, buttons) {
  const b = button({
    label: `Show where: ${r.title}`,
    text: "Show where",
    class: "small",
    "aria-pressed": "false",
    onclick: () => {
      const now = b.getAttribute("aria-pressed") !== "true";
      for (const other of buttons) other.setAttribute("aria-pressed", String(other === b && now));
      onplace(now ? r.box : null);
    },
  });
  buttons.push(b);
  return b;
}

/** The verdict, to be read from two metres: a word, a shape and a colour. @param {WholeTake} whole */
export const verdictHead = ({ verdict }) =>
  h(
    "div",
    { class: "verdicthead", dataset: { verdict: verdictKey(verdict.name) } },
    h("h3", {}, verdictWord(verdict.name)),
  );

/** @param {Verdict} verdict */
export const cautionOf = (verdict) => h("p", { class: "caution", text: verdict.caution });
