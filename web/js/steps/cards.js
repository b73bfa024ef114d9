// Cards of a list of the recipe's items: order, on and off, name, remove, one open at a time.

import { button, h } from "../dom.js";
import { change } from "../edits.js";
import { getAt } from "../paths.js";
import { operator, state } from "../store.js";

/** @import { Live } from "../form.js" */
/** @import { DespillPass, Extractor } from "../wire-types.js" */

/**
 * @template {Extractor | DespillPass} Item
 * @typedef {object} How
 * @property {string[]} path of the list
 * @property {string} what one of them is
 * @property {string} openKey
 * @property {(item: Item) => string} title
 * @property {(item: Item) => string} sub
 * @property {(item: Item, path: string[]) => Live} body
 * @property {(item: Item) => (Node | null)[]} [extra]
 */

/** @type {Map<string, string | null>} which card is open, by list */
const opened = new Map();

/** What a list consists of, apart from its items' values. @param {(Extractor | DespillPass)[]} list */
const formOf = (list) => list.map((i) => `${i.id}${"kind" in i ? i.kind : ""}`).join();

/** @template {Extractor | DespillPass} Item @param {How<Item>} how */
export function cardList(how) {
  const { path, openKey } = how;
  const node = h("div", { class: "cards", role: "list" });
  /** @type {Live | null} */
  let live = null;
  let built = "";
  /** @returns {Item[]} */
  const items = () => getAt(state.recipe, path) ?? [];
  const open = (/** @type {string | null} */ id) => {
    opened.set(openKey, id);
    build();
  };

  function build() {
    live?.stop?.();
    live = null;
    const list = items();
    built = formOf(list);
    if (!opened.has(openKey) && list.length) opened.set(openKey, list[0].id);
    node.replaceChildren(...list.map((item, at) => cardOf(item, at, list)));
    heads();
  }

  /** @param {Item} item @param {number} at @param {Item[]} list */
  function cardOf(item, at, list) {
    const now = opened.get(openKey) === item.id;
    const card = h(
      "div",
      { class: "card", role: "listitem", dataset: { id: item.id } },
      headOf(how, item, now, () => open(now ? null : item.id)),
    );
    if (now) {
      live = how.body(item, [...path, item.id]);
      const tools = operator() ? toolsOf(path, how.title(item), at, list) : null;
      card.append(h("div", { class: "body" }, live.node, tools));
    }
    return card;
  }

  function heads() {
    for (const item of items()) {
      const card = node.querySelector(`[data-id="${item.id}"]`);
      if (card) showHead(how, item, card);
    }
  }
  build();
  return {
    node,
    open,
    heads,
    refresh: (/** @type {string[][] | undefined} */ changed) => {
      if (formOf(items()) !== built) return build();
      live?.refresh?.(changed);
      heads();
    },
    tick: () => live?.tick?.(),
    stop: () => live?.stop?.(),
  };
}

/**
 * @template {Extractor | DespillPass} Item
 * @param {How<Item>} how
 * @param {Item} item
 * @param {boolean} now it is open
 * @param {() => void} onclick
 */
function headOf({ path, title, extra = () => [] }, item, now, onclick) {
  const here = [...path, item.id];
  const turn = () => {
    const value = !getAt(state.recipe, here).on;
    const label = `${title(getAt(state.recipe, here))} ${value ? "on" : "off"}`;
    change([{ op: "set", path: [...here, "on"], value }], { label });
  };
  const rail = h("span", { class: "rail" });
  const flip = h("button", { type: "button", class: "switch", role: "switch", onclick: turn }, rail);
  const head = h(
    "button",
    { type: "button", class: "open", "aria-expanded": String(now), onclick },
    h("span", { class: "title" }),
    h("span", { class: "sub" }),
  );
  return h("div", { class: "top" }, operator() ? flip : null, head, ...extra(item));
}

/**
 * @template {Extractor | DespillPass} Item
 * @param {How<Item>} how
 * @param {Item} item
 * @param {Element} card
 */
function showHead({ what, title, sub }, item, card) {
  const put = (/** @type {string} */ kind, /** @type {string} */ text) =>
    card.querySelector(kind)?.replaceChildren(text);
  card.classList.toggle("off", !item.on);
  const flip = card.querySelector(".top > .switch");
  flip?.setAttribute("aria-checked", String(item.on));
  flip?.setAttribute("aria-label", `${what} ${title(item)} takes part`);
  put(".title", title(item));
  put(".sub", sub(item));
}

/**
 * Move and remove.
 * @param {string[]} path of the list
 * @param {string} name of the item
 * @param {number} at its place
 * @param {(Extractor | DespillPass)[]} list
 */
function toolsOf(path, name, at, list) {
  const here = [...path, list[at].id];
  const move = (/** @type {string | null} */ before) =>
    change([{ op: "move", path: here, before }], { label: `Move ${name}` });
  return h(
    "div",
    { class: "bar" },
    button({
      label: `Move ${name} up`,
      icon: "up",
      class: "small",
      disabled: at === 0,
      onclick: () => move(list[at - 1].id),
    }),
    button({
      label: `Move ${name} down`,
      icon: "down",
      class: "small",
      disabled: at === list.length - 1,
      onclick: () => move(list[at + 2]?.id ?? null),
    }),
    button({
      label: `Remove ${name}`,
      icon: "bin",
      text: "Remove",
      class: "small",
      onclick: () => change([{ op: "remove", path: here }], { label: `Remove ${name}` }),
    }),
  );
}
