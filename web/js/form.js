// A form for a model of the recipe: its fields in the declared order, nested models as folding
// blocks, special editors where a plain control would not do.

import { block, h } from "./dom.js";
import { control } from "./controls.js";
import { at } from "./keys.js";
import { capital, counted, figure, getAt, words } from "./paths.js";
import { fieldsOf, modelOf } from "./schema.js";
import { shapeList } from "./shape-list.js";
import { frameShown, state } from "./store.js";

/**
 * Settings that act only beside another setting's value; they are folded away elsewhere.
 * @type {Record<string, [string, string[]]>}
 */
export const ACTS_WITH = {
  "ColourDifference.lean": ["excess", ["lean"]],
  "ColourDifference.comparison_level": ["excess", ["balance"]],
  "ColourDifference.red_blue_balance": ["excess", ["balance"]],
  "DespillPass.weight": ["limit", ["weighted"]],
  "DespillPass.fill_amount": ["fill", ["grey", "background"]],
  "DespillPass.fill_blur_px": ["fill", ["background"]],
  "EdgeColour.settle": ["method", ["subtract"]],
  "EdgeColour.settle_by_noise": ["method", ["subtract"]],
  "EdgeColour.reach_px": ["method", ["unmix"]],
  "EdgeColour.hold": ["method", ["unmix"]],
  "EdgeColour.despill": ["method", ["unmix"]],
  "Screen.clean_plate_colourspace": ["clean_plate", ["file"]],
};

/** The two channels beside the screen's primary, after which balances and weights are named. */
const BESIDE = /** @type {Record<string, string[]>} */ ({
  red: ["green", "blue"],
  green: ["red", "blue"],
  blue: ["red", "green"],
});

/** Where a field's own name reads badly. @type {Record<string, string>} */
export const CALLED = {
  "Denoise.reach_frames": "Frames on each side",
  "Screen.primary": "Key channel",
  "Screen.colour": "Screen colour",
};

/** A field's label as things stand. @param {string} model @param {FieldInfo} field @returns {string} */
function labelOf(model, field) {
  const called = CALLED[`${model}.${field.key}`];
  if (called) return called;
  const [first, second] = BESIDE[state.recipe.screen.primary];
  if (field.key === "red_blue_balance") return `${capital(first)}\u2013${second} balance`;
  return model === "DespillPass" && field.key === "weight" ? `Weight of ${first}` : field.label;
}

/** @import { FieldInfo } from "./schema.js" */

/**
 * A live part of the page: knows how to show changes of the recipe and of the frame, and when it
 * need not any more.
 * @typedef {object} Live
 * @property {HTMLElement} node
 * @property {(changed?: string[][]) => void} [refresh]
 * @property {() => void} [tick]
 * @property {() => void} [stop]
 */

/**
 * One that shows changes.
 * @typedef {Live & {refresh: (changed?: string[][]) => void, tick: () => void}} Shown
 */

/**
 * Controls of a model.
 * @param {string} model name of the schema's model
 * @param {string[]} path where it stands in the recipe
 * @param {{only?: string[], skip?: string[], subject?: string, open?: string[]}} [how]
 * @returns {Shown}
 */
export function form(model, path, { only, skip = [], subject = "", open = [] } = {}) {
  /** @type {Shown[]} */
  const lives = [];
  const node = h("div", { class: "form" });
  let fields = fieldsOf(model).filter((f) => f.kind !== "fixed" && !skip.includes(f.key));
  if (only) fields = only.flatMap((key) => fields.find((f) => f.key === key) ?? []);
  for (const field of fields) {
    const here = [...path, field.key];
    if (field.kind === "model") {
      const live = nested(field.model, here, field.label, subject, open);
      lives.push(live);
      node.append(live.node);
    } else if (field.kind === "list") {
      if (field.key !== "shapes") continue;
      const live = shapeList(here, {
        title: field.label,
        help: field.help,
        subject: subject || words(path[0] ?? ""),
      });
      lives.push(live);
      node.append(live.node);
    } else {
      const made = control({ ...field, label: labelOf(model, field) }, here, { subject });
      const needs = ACTS_WITH[`${model}.${field.key}`];
      const refresh = (/** @type {string[][] | undefined} */ changed) => {
        made.refresh(changed);
        made.call(labelOf(model, field));
        if (needs) made.node.hidden = !needs[1].includes(getAt(state.recipe, [...path, needs[0]]));
      };
      refresh(undefined);
      lives.push({ node: made.node, refresh, tick: made.tick });
      node.append(made.node);
    }
  }
  return {
    node,
    refresh: (changed) => lives.forEach((l) => l.refresh(changed)),
    tick: () => lives.forEach((l) => l.tick()),
  };
}

/**
 * @param {string} model
 * @param {string[]} path
 * @param {string} title
 * @param {string} subject
 * @param {string[]} open
 * @returns {Shown}
 */
function nested(model, path, title, subject, open) {
  const inner = form(model, path, { subject: subject ? `${subject}, ${title.toLowerCase()}` : title, open });
  const fold = block(
    { title, key: path.join("/"), open: open.includes(path[path.length - 1]) },
    h("p", { class: "help", text: modelOf(model).description ?? "" }),
    inner.node,
  );
  const refresh = (/** @type {string[][] | undefined} */ changed) => {
    inner.refresh(changed);
    fold.hint(summary(model, path));
  };
  refresh(undefined);
  return { node: fold, refresh, tick: inner.tick };
}

/**
 * What a folded block says of its contents: the values that are not at rest.
 * @param {string} model
 * @param {string[]} path
 */
export function summary(model, path) {
  const value = getAt(state.recipe, path);
  if (!value) return "";
  const parts = [];
  for (const f of fieldsOf(model)) {
    const v = value[f.key];
    if (f.kind === "model") {
      const inner = summary(f.model, [...path, f.key]);
      if (inner) parts.push(f.label.toLowerCase());
    } else if (f.kind === "list") {
      if (v?.length) parts.push(counted(v.length, "shape"));
    } else if (JSON.stringify(v) !== JSON.stringify(f.initial ?? null)) {
      const number = f.kind === "number" ? at(v, frameShown()) : null;
      parts.push(
        number !== null
          ? `${f.label.toLowerCase()} ${figure(number, f.step)}${f.unit ? ` ${f.unit}` : ""}`
          : typeof v === "string" && f.kind === "choice"
            ? words(v).toLowerCase()
            : f.label.toLowerCase(),
      );
    }
  }
  return parts.join(", ");
}
