// One control for one field of the recipe, built from the served schema: name, help, slider with a
// sensible range, number to type, double tap to reset, key at this frame.

import { concerns, newGesture, set } from "./edits.js";
import { button, dropdown, h, icon, oneOf, toggle } from "./dom.js";
import { at, keyState, toggledKey, withNumber } from "./keys.js";
import { figure, getAt, sentence, words } from "./paths.js";
import { operator, state } from "./store.js";
import { pickColour } from "./sample.js";
import { slider } from "./slider.js";

/** @typedef {import("./schema.js").FieldInfo} FieldInfo */

/**
 * @param {FieldInfo} field
 * @param {string[]} path
 * @param {{subject?: string}} [where] subject: what the field belongs to, for the name of the undo step
 */
export function control(field, path, { subject = "" } = {}) {
  const label = subject ? `${subject}: ${field.label.toLowerCase()}` : field.label;
  const make = {
    number: numberControl,
    integer: numberControl,
    choice: choiceControl,
    switch: switchControl,
    text: textControl,
    rgb: rgbControl,
  }[/** @type {"number"} */ (field.kind)];
  const parts = make(field, path, label);
  const node = frame(field, path, label, parts);
  node.path = path;
  node.refresh = (/** @type {string[][] | undefined} */ changed) => {
    if (!concerns(changed, path)) return;
    const value = getAt(state.recipe, path);
    if (value === undefined) return;
    parts.show(value);
    node.classList.toggle("changed", JSON.stringify(value) !== JSON.stringify(field.initial ?? null));
  };
  node.tick = () => parts.tick?.(getAt(state.recipe, path));
  node.refresh(undefined);
  return node;
}

/** Name, help on demand, and what the parts bring. @param {FieldInfo} field @param {string[]} path @param {string} label @param {any} parts */
function frame(field, path, label, parts) {
  const help = h("p", { class: "help", hidden: true, text: sentence(field.help) });
  const name = h("button", {
    type: "button",
    class: "name",
    text: field.label,
    title: `${sentence(field.help)} Double tap: back to ${shortly(field)}.`,
    "aria-expanded": "false",
  });
  let clicks = 0;
  name.addEventListener("click", () => {
    help.hidden = !help.hidden;
    name.setAttribute("aria-expanded", String(!help.hidden));
    clearTimeout(clicks);
  });
  name.addEventListener("dblclick", () => {
    help.hidden = true;
    name.setAttribute("aria-expanded", "false");
    set(path, field.initial ?? null, { label });
  });
  const node = h(
    "div",
    { class: "field", dataset: { field: path.join("/") } },
    h("div", { class: "line" }, name, ...(parts.head ?? [])),
    help,
    ...(parts.body ?? []),
  );
  if (!operator())
    node
      .querySelectorAll("button:not(.name), input, select")
      .forEach((/** @type {any} */ n) => (n.disabled = true));
  return node;
}

/** @param {FieldInfo} field */
const shortly = (field) =>
  typeof field.initial === "boolean"
    ? field.initial
      ? "on"
      : "off"
    : Array.isArray(field.initial)
      ? field.initial.join(", ")
      : field.initial === null || field.initial === undefined || field.initial === ""
        ? "empty"
        : typeof field.initial === "number"
          ? `${figure(field.initial, field.step)}${field.unit ? ` ${field.unit}` : ""}`
          : String(field.initial);

/** @param {FieldInfo} field @param {string[]} path @param {string} label */
function numberControl(field, path, label) {
  let gesture = newGesture();
  const now = () => getAt(state.recipe, path);
  const put = (/** @type {number} */ any, /** @type {boolean} */ moving) => {
    const v = field.kind === "integer" ? Math.round(any) : any;
    set(path, withNumber(now(), state.playhead.frame, v), { label, moving, gesture });
    if (!moving) gesture = newGesture();
  };
  const number = numberBox(
    label,
    field,
    (v) => put(v, false),
    field.optional ? () => set(path, null, { label }) : undefined,
  );
  const bar = slider({
    label,
    drag: field.drag,
    step: field.step,
    low: field.low,
    high: field.high,
    unit: field.unit,
    home: typeof field.initial === "number" ? field.initial : field.drag[0],
    onchange: (v, moving) => {
      number.show(v);
      put(v, moving);
    },
    onreset: () => set(path, field.initial ?? null, { label }),
  });
  const key =
    field.keyable && operator()
      ? h(
          "button",
          {
            type: "button",
            class: "keybtn",
            onclick: () => set(path, toggledKey(now(), state.playhead.frame), { label: `${label} (key)` }),
          },
          icon("key"),
        )
      : null;
  const show = (/** @type {any} */ value) => {
    const v = at(value, state.playhead.frame);
    number.show(v);
    if (v !== null) bar.show(v);
    bar.setAttribute("aria-disabled", String(v === null || !operator()));
    if (!key) return;
    const kind = keyState(value, state.playhead.frame);
    key.dataset.state = kind;
    const text =
      kind === "here"
        ? `Remove the key of ${label.toLowerCase()} at this frame`
        : `Key ${label.toLowerCase()} at this frame`;
    key.title = text;
    key.setAttribute("aria-label", text);
  };
  return {
    head: [
      number,
      field.unit ? h("span", { class: "unit", text: field.unit === "deg" ? "\u00b0" : field.unit }) : null,
      key,
    ].filter(Boolean),
    body: [bar],
    show,
    tick: (/** @type {any} */ value) => {
      if (keyState(value, 0) !== "none") show(value);
    },
  };
}

/**
 * A box to type a number; arrow keys step it.
 * @param {string} label @param {{step: number, low: number, high: number, optional?: boolean}} field
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
    placeholder: field.optional ? "open" : "",
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
  node.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
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
  node.show = show;
  return node;
}

/** @param {FieldInfo} field @param {string[]} path @param {string} label */
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
    return { body: [node], show: (/** @type {any} */ v) => node.show(v ?? "") };
  }
  const node = dropdown({ label, options, value: "", onpick });
  return { head: [node], show: (/** @type {any} */ v) => (node.value = v ?? "") };
}

/** @param {FieldInfo} _field @param {string[]} path @param {string} label */
function switchControl(_field, path, label) {
  const node = toggle({ label, text: null, value: false, onflip: (on) => set(path, on, { label }) });
  return { head: [node], show: (/** @type {boolean} */ v) => node.show(v) };
}

/** @param {FieldInfo} field @param {string[]} path @param {string} label */
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

/** A colour space of the configuration in use; empty means by the file's tags. @param {string[]} path @param {string} label */
function spaceControl(path, label) {
  const names = state.colour.colourspaces;
  const node = dropdown({
    label,
    options: [["", "As the file says"], ...names.map((/** @type {string} */ n) => [n, n])],
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

/** @param {FieldInfo} field @param {string[]} path @param {string} label */
function rgbControl(field, path, label) {
  const isColour = field.key === "colour";
  const patch = isColour ? h("span", { class: "swatch", "aria-hidden": "true" }) : null;
  const now = () => getAt(state.recipe, path);
  const boxes = (
    field.key === "correlation"
      ? ["red with green", "red with blue", "green with blue"]
      : ["red", "green", "blue"]
  ).map((name, i) =>
    numberBox(`${label}, ${name}`, { step: 0.001, low: -1e6, high: 1e6 }, (v) =>
      set(
        path,
        now().map((/** @type {number} */ x, /** @type {number} */ j) => (j === i ? v : x)),
        { label },
      ),
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
    show(/** @type {number[]} */ v) {
      if (patch) patch.style.background = `rgb(${v.map(code).join(" ")})`;
      boxes.forEach((box, i) => box.show(v[i]));
    },
  };
}
