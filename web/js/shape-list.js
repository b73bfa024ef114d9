// The list of shapes of one place of the recipe: draw, name, feather, invert, remove.

import { block, button, h } from "./dom.js";
import { change, concerns, set } from "./edits.js";
import { control } from "./controls.js";
import { getAt, newId, sentence, words } from "./paths.js";
import { fieldsOf } from "./schema.js";
import { chooseShape, chosenShape, drawShape } from "./shape-tool.js";
import { frameShown, on, operator, state } from "./store.js";

/** @import { Shape } from "./wire-types.js" */

const KINDS = /** @type {const} */ (["polygon", "curve", "rectangle", "ellipse"]);
const SETTINGS = ["name", "on", "feather_px", "inverted"];

/** The article is that of the word: a curve, an ellipse. @param {string} kind */
const article = (kind) => (/^[aeiou]/.test(kind) ? "an" : "a");

/** @param {string[]} path @param {{title: string, help: string, subject: string}} how */
export function shapeList(path, { title, help, subject }) {
  const items = h("ul", { class: "list" });
  const settings = h("div");
  const draws = operator() ? KINDS.map((kind) => drawButton(kind, path, title, subject)) : [];
  const fold = block(
    { title, key: path.join("/") },
    ...[
      h("p", { class: "help", text: sentence(help) }),
      items,
      settings,
      h("div", { class: "bar" }, ...draws),
    ],
  );
  /** @type {ReturnType<typeof control>[]} */
  let live = [];
  /** @returns {Shape[]} */
  const shapes = () => getAt(state.recipe, path) ?? [];

  function rebuild() {
    const list = shapes();
    fold.hint(list.length ? `${list.length}` : "none");
    const chosen = chosenShape();
    const isChosen = (/** @type {Shape} */ shape) => String([...path, shape.id]) === String(chosen);
    items.replaceChildren(...list.map((shape) => row(shape, [...path, shape.id], isChosen(shape), subject)));
    const here = list.some(isChosen) ? chosen : null;
    const fields = here ? fieldsOf("Shape").filter((f) => SETTINGS.includes(f.key)) : [];
    live = fields.map((f) => control(f, [...(here ?? []), f.key], { subject: `${subject}, shape` }));
    settings.replaceChildren(...live.map((c) => c.node));
    if (here && operator()) settings.append(poseRow(here, subject));
  }
  const stop = on("tool", () => {
    if (fold.isConnected) rebuild();
    else stop();
  });
  rebuild();
  return {
    node: fold,
    refresh: (/** @type {string[][] | undefined} */ changed) => {
      if (!concerns(changed, path)) return;
      if (changed?.some((c) => c.length > path.length + 1)) live.forEach((c) => c.refresh(changed));
      else rebuild();
    },
    tick: () => live.forEach((c) => c.tick()),
  };
}

/**
 * @param {Shape["kind"]} kind
 * @param {string[]} path
 * @param {string} title
 * @param {string} subject
 */
function drawButton(kind, path, title, subject) {
  const keep = (/** @type {number[][]} */ points) => {
    const count = (getAt(state.recipe, path) ?? []).length + 1;
    const poses = [{ frame: frameShown(), points }];
    const name = `${kind} ${count}`;
    const item = { id: newId(), name, on: true, kind, poses, feather_px: 0, inverted: false };
    change([{ op: "insert", path, item, before: null }], { label: `${subject}: add ${kind}` });
    chooseShape([...path, item.id]);
  };
  const what = title === subject ? title : `${subject}, ${title}`;
  return button({
    label: `Draw ${article(kind)} ${kind} (${what.toLowerCase()})`,
    text: words(kind),
    class: "small",
    onclick: () => drawShape(kind, keep),
  });
}

/** @param {Shape} shape @param {string[]} here @param {boolean} open @param {string} subject */
function row(shape, here, open, subject) {
  const remove = () => change([{ op: "remove", path: here }], { label: `${subject}: remove ${shape.name}` });
  return h(
    "li",
    { class: open ? "chosen" : "" },
    h("button", {
      type: "button",
      class: "btn flat pick",
      text: shape.name,
      "aria-pressed": String(open),
      onclick: () => chooseShape(open ? null : here),
    }),
    operator()
      ? button({ label: `Remove ${shape.name}`, icon: "bin", class: "flat", onclick: remove })
      : null,
  );
}

/** @param {string[]} here @param {string} subject */
function poseRow(here, subject) {
  /** @type {Shape["poses"]} */
  const poses = getAt(state.recipe, [...here, "poses"]) ?? [];
  const text =
    poses.length > 1
      ? `Moves through ${poses.length} poses; dragging a point at another frame adds one.`
      : "Dragging a point at another frame makes the shape move.";
  const still = () => set([...here, "poses"], [poses[0]], { label: `${subject}: hold shape still` });
  const hold = { label: "Hold this form all the time", text: "Hold still", class: "small", onclick: still };
  return h(
    "div",
    { class: "row wrap" },
    h("span", { class: "help grow", text }),
    poses.length > 1 ? button(hold) : null,
  );
}
