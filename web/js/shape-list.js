// The list of shapes of one place of the recipe: draw, name, feather, invert, remove.

import { block, button, h } from "./dom.js";
import { change, concerns, set } from "./edits.js";
import { control } from "./controls.js";
import { getAt, newId, sentence, words } from "./paths.js";
import { fieldsOf } from "./schema.js";
import { chooseShape, chosenShape, drawShape } from "./shape-tool.js";
import { on, operator, state } from "./store.js";

const KINDS = ["polygon", "curve", "rectangle", "ellipse"];

/** @param {string[]} path @param {{title: string, help: string, subject: string}} how */
export function shapeList(path, { title, help, subject }) {
  const items = h("ul", { class: "list" });
  const settings = h("div");
  const add = h(
    "div",
    { class: "bar" },
    ...(operator()
      ? KINDS.map((kind) =>
          button({
            label: `Draw a ${kind} (${title.toLowerCase()})`,
            text: words(kind),
            class: "small",
            onclick: () => draw(kind),
          }),
        )
      : []),
  );
  const fold = block(
    { title, key: path.join("/") },
    h("p", { class: "help", text: sentence(help) }),
    items,
    settings,
    add,
  );
  /** @type {any[]} */
  let live = [];

  /** @param {string} kind */
  function draw(kind) {
    drawShape(kind, (points) => {
      const count = (getAt(state.recipe, path) ?? []).length + 1;
      const item = {
        id: newId(),
        name: `${kind} ${count}`,
        on: true,
        kind,
        poses: [{ frame: state.playhead.frame, points }],
        feather_px: 0,
        inverted: false,
      };
      change([{ op: "insert", path, item, before: null }], { label: `${subject}: add ${kind}` });
      chooseShape([...path, item.id]);
    });
  }

  function rebuild() {
    const list = getAt(state.recipe, path) ?? [];
    fold.hint(list.length ? `${list.length}` : "none");
    const chosen = chosenShape();
    items.replaceChildren(
      ...list.map((/** @type {any} */ shape) => {
        const here = [...path, shape.id];
        const open = String(chosen) === String(here);
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
            ? button({
                label: `Remove ${shape.name}`,
                icon: "bin",
                class: "flat",
                onclick: () =>
                  change([{ op: "remove", path: here }], { label: `${subject}: remove ${shape.name}` }),
              })
            : null,
        );
      }),
    );
    const mine = chosen && list.some((/** @type {any} */ s) => String([...path, s.id]) === String(chosen));
    live = mine
      ? fieldsOf("Shape")
          .filter((f) => ["name", "on", "feather_px", "inverted"].includes(f.key))
          .map((f) =>
            control(f, [.../** @type {string[]} */ (chosen), f.key], { subject: `${subject}, shape` }),
          )
      : [];
    settings.replaceChildren(...live);
    if (mine && operator()) settings.append(poseRow(/** @type {string[]} */ (chosen)));
  }

  /** @param {string[]} here */
  function poseRow(here) {
    const poses = getAt(state.recipe, [...here, "poses"]) ?? [];
    return h(
      "div",
      { class: "row wrap" },
      h("span", {
        class: "help grow",
        text:
          poses.length > 1
            ? `Moves through ${poses.length} poses; dragging a point at another frame adds one.`
            : "Dragging a point at another frame makes the shape move.",
      }),
      poses.length > 1
        ? button({
            label: "Hold this form all the time",
            text: "Hold still",
            class: "small",
            onclick: () => set([...here, "poses"], [poses[0]], { label: `${subject}: hold shape still` }),
          })
        : null,
    );
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
