// Despill: passes on the colour side, with hue curves as rings around the frame's own hues.

import { block, button, h } from "../dom.js";
import { change } from "../edits.js";
import { form } from "../form.js";
import { control } from "../controls.js";
import { at } from "../keys.js";
import { copy, figure, getAt, newId, words } from "../paths.js";
import { fieldOf } from "../schema.js";
import { hueRings } from "../rings.js";
import { frameShown, operator, state } from "../store.js";
import { cardList } from "./cards.js";
import { sampleCards, together } from "./common.js";

/** @import { DespillPass } from "../wire-types.js" */

export function despillStep() {
  const list = cardList({
    path: ["despill"],
    what: "Pass",
    openKey: "despill",
    title: (/** @type {DespillPass} */ item) => item.name,
    sub: (item) =>
      [
        `limit ${words(item.limit).toLowerCase()}`,
        `amount ${figure(Number(at(item.amount, frameShown())), 0.01)}`,
        item.fill === "none" ? "no fill" : `fill ${item.fill}`,
      ].join(" · "),
    body: passBody,
  });
  const add = operator()
    ? h(
        "div",
        { class: "bar" },
        button({
          label: "Add a pass",
          icon: "plus",
          text: "Add a pass",
          class: "small",
          onclick: () => {
            const count = state.recipe.despill.length;
            const item = {
              ...copy(state.defaults.despill),
              id: newId(),
              name: count ? `Pass ${count + 1}` : "Despill",
            };
            change([{ op: "insert", path: ["despill"], item, before: null }], { label: `Add ${item.name}` });
            list.open(item.id);
          },
        }),
      )
    : h("div");
  return together([list, { node: add }, sampleCards()]);
}

/** @param {DespillPass} item @param {string[]} path */
function passBody(item, path) {
  const more = block({ title: "Where it works", key: `${item.id}/where` });
  const where = form("DespillPass", path, { only: ["shapes"], subject: item.name });
  const mask = maskChoice(path, item.name);
  const inverted = control(fieldOf("DespillPass", "mask_inverted"), [...path, "mask_inverted"], {
    subject: item.name,
  });
  more.body.append(mask.node, inverted.node, where.node);
  return together([
    hueRings(path),
    form("DespillPass", path, { only: ["limit", "weight", "amount"], subject: item.name }),
    form("DespillPass", path, { only: ["fill", "fill_amount", "fill_blur_px", "name"], subject: item.name }),
    {
      node: more,
      refresh: (/** @type {string[][] | undefined} */ c) => {
        where.refresh(c);
        mask.refresh();
        inverted.refresh(c);
      },
      tick: where.tick,
    },
  ]);
}

/**
 * The matte that limits a pass: none, the cumulative one, or an extractor's.
 * @param {string[]} path
 * @param {string} subject
 */
function maskChoice(path, subject) {
  const field = fieldOf("DespillPass", "mask");
  const select = h("select", {
    "aria-label": "Limited by the matte of",
    onchange: () =>
      change([{ op: "set", path: [...path, "mask"], value: select.value }], { label: `${subject}: mask` }),
  });
  const node = h(
    "div",
    { class: "field" },
    h(
      "div",
      { class: "line" },
      h("span", { class: "grow", title: field.help, text: "Limited by the matte of" }),
      select,
    ),
  );
  const refresh = () => {
    const options = [
      ["", "nothing"],
      ["cumulative", "all extractors"],
      ...state.recipe.extractors.map((e) => [e.id, e.name]),
    ];
    select.replaceChildren(...options.map(([value, text]) => h("option", { value, text })));
    select.value = getAt(state.recipe, [...path, "mask"]) ?? "";
    select.disabled = !operator();
  };
  refresh();
  return { node, refresh };
}
