// One control for one field of the recipe, built from the served schema: name, help, slider with a
// sensible range, number to type, double tap to reset, key at this frame.

import { concerns, newGesture, set } from "./edits.js";
import { button, dropdown, h, icon, oneOf, toggle } from "./dom.js";
import { at, isKeyed, keyState, toggledKey, withNumber } from "./keys.js";
import { figure, getAt, sentence, words } from "./paths.js";
import { frameShown, operator, state } from "./store.js";
import { pickColour } from "./sample.js";
import { slider } from "./slider.js";

/** @import { Keyable } from "./keys.js" */
/** @import { FieldInfo } from "./schema.js" */
/** @import { RGB, Value } from "./wire-types.js" */

/**
 * What a kind of control brings: nodes beside the name, nodes below it, and how it shows a value.
 * @typedef {object} Parts
 * @property {(Node | null)[]} [head]
 * @property {Node[]} [body]
 * @property {(value: Value) => void} show
 * @property {(value: Value) => void} [tick] the frame is another one
 */

/** @type {Record<string, (field: FieldInfo, path: string[], label: string) => Parts>} */
const MAKERS = {
  number: numberControl,
  integer: numberControl,
  choice: choiceControl,
  switch: switchControl,
  text: textControl,
  rgb: rgbControl,
};

/**
 * @param {FieldInfo} field
 * @param {string[]} path
 * @param {{subject?: string}} [where] subject: what the field belongs to, for the name of the undo step
 */
export function control(field, path, { subject = "" } = {}) {
  const label = subject ? `${subject}: ${field.label.toLowerCase()}` : field.label;
  const parts = MAKERS[field.kind](field, path, label);
  const { node, name } = frame(field, path, label, parts);
  const refresh = (/** @type {string[][] | undefined} */ changed) => {
    if (!concerns(changed, path)) return;
    const value = getAt(state.recipe, path);
    if (value === undefined) return;
    parts.show(value);
    node.classList.toggle("changed", JSON.stringify(value) !== JSON.stringify(field.initial ?? null));
  };
  refresh(undefined);
  return {
    node,
    refresh,
    tick: () => parts.tick?.(getAt(state.recipe, path)),
    call: (/** @type {string} */ text) => (name.textContent = text),
  };
}

/**
 * Name, help on demand, and what the parts bring.
 * @param {FieldInfo} field
 * @param {string[]} path
 * @param {string} label
 * @param {Parts} parts
 */
function frame(field, path, label, parts) {
  const help = h("p", { class: "help", hidden: true, text: sentence(field.help) });
  const name = h("button", {
    type: "button",
    class: "name",
    text: field.label,
    title: `${sentence(field.help)} Double tap: back to ${shortly(field)}.`,
    "aria-expanded": "false",
  });
  name.addEventListener("click", () => {
    help.hidden = !help.hidden;
    name.setAttribute("aria-expanded", String(!help.hidden));
  });
  name.addEventListener("dblclick", () => {
    help.hidden = true;
    name.setAttribute("aria-expanded", "false");
    set(path, field.initial ?? null, { label });
  });
  const line = h("div", { class: "line" }, name, ...(parts.head ?? []));
  const node = h("div", { class: "field", dataset: { field: path.join("/") } }, line, help, parts.body ?? []);
  if (!operator()) {
    const able = "button:not(.name), input, select";
    for (const one of node.querySelectorAll(able)) one.setAttribute("disabled", "");
  }
  return { node, name };
}

/** A field's default in a word. @param {FieldInfo} field */
function shortly({ initial, step, unit }) {
  if (typeof initial === "boolean") return initial ? "on" : "off";
  if (Array.isArray(initial)) return initial.join(", ");
  if (initial === null || initial === undefined || initial === "") return "empty";
  if (typeof initial === "number") return `${figure(initial, step)}${unit ? ` ${unit}` : ""}`;
  return String(initial);
}

/** @param {FieldInfo} field @param {string[]} path @param {string} label @returns {Parts} */
function numberControl(field, path, label) {
  let gesture = newGesture();
  const now = () => getAt(state.recipe, path);
  const frame = () => frameShown();
  const put = (/** @type {number} */ wanted, /** @type {boolean} */ moving) => {
    const v = field.kind === "integer" ? Math.round(wanted) : wanted;
    set(path, withNumber(now(), frame(), v), { label, moving, gesture });
    if (!moving) gesture = newGesture();
  };
  const open = field.optional ? () => set(path, null, { label }) : undefined;
  const number = numberBox(label, field, (v) => put(v, false), open);
  const { drag, step, low, high, unit } = field;
  const bar = slider({
    ...{ label, drag, step, low, high, unit },
    home: typeof field.initial === "number" ? field.initial : drag[0],
    onchange: (v, moving) => {
      number.show(v);
      put(v, moving);
    },
    onreset: () => set(path, field.initial ?? null, { label }),
  });
  const flip = () => set(path, toggledKey(now(), frame()), { label: `${label} (key)` });
  const key = field.keyable && operator() ? keyButton(label, flip) : null;
  const show = (/** @type {Keyable} */ value) => {
    const v = at(value, frame());
    number.show(v);
    if (v !== null) bar.show(v);
    bar.setAttribute("aria-disabled", String(v === null || !operator()));
    key?.show(keyState(value, frame()));
  };
  const mark = unit === "deg" ? "\u00b0" : unit;
  return {
    head: [number, unit ? h("span", { class: "unit", text: mark }) : null, key],
    body: [bar],
    show,
    tick: (value) => {
      if (isKeyed(value)) show(value);
    },
  };
}

/** The button that keys a value at this frame. @param {string} label @param {() => void} onclick */
function keyButton(label, onclick) {
  const node = h("button", { type: "button", class: "keybtn", onclick }, icon("key"));
  const show = (/** @type {string} */ kind) => {
    node.dataset.state = kind;
    const start = kind === "here" ? "Remove the key of" : "Key";
    node.title = `${start} ${label.toLowerCase()} at this frame`;
    node.setAttribute("aria-label", node.title);
  };
  return Object.assign(node, { show });
}

/**
 * A box to type a number; arrow keys step it.
 * @param {string} label
 * @param {{step: number, low: number, high: number, optional?: boolean, empty?: string}} field
 *   empty: what stands where no number is; "open" if it may be left out
 * @param {(v: number) => void} onnumber @param {() => void} [onempty]
 */
export function numberBox(label, field, onnumber, onempty) {
  let last = /** @type {number | null} */ (null);
  const node = h("input", {
    class: "num",
    type: "text",
    inputMode: "decimal",
    autocomplete: "off",
    "aria-label": label,
    placeholder: field.empty ?? (field.optional ? "open" : ""),
  });
  const show = (/** @type {number | null} */ v) => {
    last = v;
    if (document.activeElement === node && node.dataset.typing) return;
    // Where all is selected, ready to be typed over, it stays so.
    const all =
      document.activeElement === node && node.selectionEnd === node.value.length && node.selectionStart === 0;
    node.value = v === null ? "" : figure(v, field.step);
    if (all) node.select();
    node.removeAttribute("aria-invalid");
  };
  function commit() {
    delete node.dataset.typing;
    const text = node.value.trim().replace(",", ".");
    if (text === "" && onempty) return last === null ? undefined : onempty();
    const v = Number(text);
    if (text === "" || !Number.isFinite(v)) return show(last);
    const kept = Math.min(field.high, Math.max(field.low, v));
    show(kept);
    if (document.activeElement === node) node.select(); // the next number is typed over it
    onnumber(kept);
  }
  node.addEventListener("input", () => {
    node.dataset.typing = "1";
    const v = Number(node.value.replace(",", "."));
    node.setAttribute("aria-invalid", String(!Number.isFinite(v) || v < field.low || v > field.high));
  });
  node.addEventListener("change", commit);
  node.addEventListener("focus", () => node.select());
  node.addEventListener("keydown", (e) => {
    if (e.key === "Escape" && node.dataset.typing) {
      e.preventDefault();
      delete node.dataset.typing;
      show(last);
    }
    const by = e.key === "ArrowUp" ? 1 : e.key === "ArrowDown" ? -1 : 0;
    if (!by || last === null) return;
    e.preventDefault();
    const far = e.shiftKey ? (field.step < 1 ? 0.1 : 10) : 1; // whole numbers cannot go finer
    const next = Math.min(field.high, Math.max(field.low, Number((last + by * field.step * far).toFixed(8))));
    delete node.dataset.typing;
    show(next);
    onnumber(next);
  });
  return Object.assign(node, { show });
}

/** @param {FieldInfo} field @param {string[]} path @param {string} label @returns {Parts} */
function choiceControl(field, path, label) {
  const options = /** @type {[string, string][]} */ (field.values.map((v) => [v, words(v)]));
  if (field.optional) options.unshift(["", "By role"]);
  const onpick = (/** @type {string} */ v) => set(path, v === "" && field.optional ? null : v, { label });
  const short = options.reduce((sum, [, text]) => sum + text.length + 4, 0);
  if (short <= 34 && options.length <= 4) {
    const node = oneOf({
      label,
      class: "choice",
      options: options.map(([value, text]) => ({ value, text })),
      value: "",
      onpick,
    });
    return { body: [node], show: (v) => node.show(v ?? "") };
  }
  const node = dropdown({ label, options, value: "", onpick });
  return { head: [node], show: (v) => (node.value = v ?? "") };
}

/** @param {FieldInfo} _field @param {string[]} path @param {string} label @returns {Parts} */
function switchControl(_field, path, label) {
  const node = toggle({ label, text: null, value: false, onflip: (on) => set(path, on, { label }) });
  return { head: [node], show: (/** @type {boolean} */ v) => node.show(v) };
}

/** @param {FieldInfo} field @param {string[]} path @param {string} label @returns {Parts} */
function textControl(field, path, label) {
  if (field.key.endsWith("colourspace") && state.colour?.colourspaces.length)
    return spaceControl(path, label);
  const node = h("input", {
    class: "text",
    type: "text",
    "aria-label": label,
    onchange: () => set(path, node.value, { label }),
  });
  return {
    body: [node],
    show: (/** @type {string} */ v) => {
      if (document.activeElement !== node) node.value = v ?? "";
    },
  };
}

/**
 * A colour space of the configuration in use; empty means by the file's tags.
 * @param {string[]} path
 * @param {string} label
 * @returns {Parts}
 */
function spaceControl(path, label) {
  const names = state.colour.colourspaces;
  const node = dropdown({
    label,
    options: [["", "As the file says"], ...names.map((n) => /** @type {[string, string]} */ ([n, n]))],
    value: "",
    onpick: (v) => set(path, v, { label }),
  });
  const show = (/** @type {string} */ v) => {
    if (v && !names.includes(v)) node.append(h("option", { value: v, text: v }));
    node.value = v ?? "";
  };
  return { body: [node], show };
}

/** @param {number} v scene-linear @returns {number} sRGB code 0..255, for a patch on the page only */
const code = (v) =>
  Math.round(255 * Math.min(1, Math.max(0, v <= 0.0031308 ? 12.92 * v : 1.055 * v ** (1 / 2.4) - 0.055)));

/** @param {FieldInfo} field @param {string[]} path @param {string} label @returns {Parts} */
function rgbControl(field, path, label) {
  const isColour = /(^|_)colour$/.test(field.key);
  const patch = isColour ? h("span", { class: "swatch", "aria-hidden": "true" }) : null;
  const now = () => getAt(state.recipe, path) ?? [0, 0, 0];
  const boxes = (
    field.key === "correlation"
      ? ["red with green", "red with blue", "green with blue"]
      : ["red", "green", "blue"]
  ).map((name, i) =>
    numberBox(
      `${label}, ${name}`,
      { step: 0.001, low: -1e6, high: 1e6, empty: field.optional ? "found" : "" },
      (v) =>
        set(
          path,
          now().map((/** @type {number} */ x, /** @type {number} */ j) => (j === i ? v : x)),
          { label },
        ),
      field.optional ? () => set(path, null, { label }) : undefined,
    ),
  );
  const pick = isColour
    ? button({
        label: `Pick ${label.toLowerCase()} from the picture`,
        icon: "sample",
        class: "flat",
        onclick: () =>
          pickColour(`Tap the picture for: ${label.toLowerCase()}`, ({ sample }) =>
            set(path, sample.linear, { label }),
          ),
      })
    : null;
  return {
    head: pick ? [pick] : [],
    body: [h("div", { class: patch ? "rgb" : "rgb plain" }, patch, ...boxes)],
    show(/** @type {RGB | null} */ v) {
      if (patch) patch.style.background = v ? `rgb(${v.map(code).join(" ")})` : "none";
      boxes.forEach((box, i) => box.show(v ? v[i] : null));
    },
  };
}
