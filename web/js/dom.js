// Small helpers to build elements; no markup strings, so nothing has to be escaped.

// Every part of the page imports this one: none begins before the page's elements are there, in
// whatever order, and however early, parts are loaded.
if (document.readyState === "loading")
  await new Promise((ready) => document.addEventListener("DOMContentLoaded", ready, { once: true }));

const SVG = "http://www.w3.org/2000/svg";

/** @typedef {Node | string | number | null | undefined | false} One */
/** @typedef {One | One[] | One[][]} Child */

/**
 * Build an element. `on…` keys are listeners, `class`, `dataset` and `text` are set as such, keys
 * that are properties of the element are assigned, all others become attributes.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, unknown>} [props]
 * @param {...Child} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function h(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === undefined || value === null) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), /** @type {EventListener} */ (value));
    else if (name === "class") node.className = String(value);
    else if (name === "text") node.textContent = String(value);
    else if (name === "dataset") Object.assign(node.dataset, value);
    else if (name === "list" || name.includes("-") || !(name in node)) node.setAttribute(name, String(value));
    else Object.assign(node, { [name]: value });
  }
  node.append(...nodesOf(children));
  return node;
}

/** @param {(One | One[] | One[][])[]} children @returns {(Node | string)[]} */
const nodesOf = (children) =>
  children.flatMap((child) => {
    if (Array.isArray(child)) return nodesOf(child);
    if (child === null || child === undefined || child === false) return [];
    return [child instanceof Node ? child : String(child)];
  });

/**
 * Build an SVG element with attributes.
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, string | number>} [attrs]
 * @param {...Node} children
 * @returns {SVGElementTagNameMap[K]}
 */
export function s(tag, attrs = {}, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attrs)) node.setAttribute(name, String(value));
  node.append(...children);
  return node;
}

/** An element of the page that is there from the start. @param {string} id */
export const byId = (id) => /** @type {HTMLElement} */ (document.getElementById(id));

/** @type {Record<string, string>} paths on a 24-unit grid, drawn with the text colour */
const ICONS = {
  undo: "M8 6 4 10l4 4M4 10h9a6 6 0 0 1 0 12h-2",
  redo: "m16 6 4 4-4 4M20 10h-9a6 6 0 0 0 0 12h2",
  fit: "M4 9V4h5M20 9V4h-5M4 15v5h5M20 15v5h-5",
  pixels: "M5 8l2-1.5V17M12 10v.01M12 14.5v.01M17 8l2-1.5V17",
  plus: "M12 5v14M5 12h14",
  minus: "M5 12h14",
  sample: "m14 6 4 4M4 20l1-4 9.5-9.5a2.8 2.8 0 0 1 4 4L9 20z",
  compare: "M4 5h16v14H4zM12 5v14M4 15l8-6",
  wipe: "M4 5h16v14H4zM14 3v18",
  scopes: "M4 20V4M4 20h16M7 16c2-9 4-9 5-4s3 4 7-5",
  note: "M5 5h14v11h-8l-4 4v-4H5z",
  play: "M8 5.5v13l11-6.5z",
  pause: "M9 6v12M15 6v12",
  back: "M15 6l-7 6 7 6zM6 6v12",
  on: "m9 6 7 6-7 6zM18 6v12",
  loop: "M17 3l3 3-3 3M20 6H8a4 4 0 0 0-4 4v1M7 21l-3-3 3-3M4 18h12a4 4 0 0 0 4-4v-1",
  chevron: "m9 6 6 6-6 6",
  alone: "M3 6h18v12H3z",
  full: "M14 10l6-6M15 4h5v5M10 14l-6 6M9 20H4v-5",
  start: "M9 5H6v14h3M13 12h6",
  end: "M15 5h3v14h-3M11 12H5",
  up: "m6 14 6-6 6 6",
  down: "m6 10 6 6 6-6",
  close: "M6 6l12 12M18 6 6 18",
  bin: "M5 7h14M10 7V4h4v3M7 7l1 13h8l1-13",
  eye: "M3 12s3.5-6 9-6 9 6 9 6-3.5 6-9 6-9-6-9-6zM12 9.5a2.5 2.5 0 1 0 0 5 2.5 2.5 0 0 0 0-5",
  only: "M4 4h16v16H4zM9 9h6v6H9z",
  people:
    "M9 11a3.5 3.5 0 1 0 0-7 3.5 3.5 0 0 0 0 7zM2.5 20c.5-4 3-6 6.5-6s6 2 6.5 6M16 4.5a3.5 3.5 0 0 1 0 6.5" +
    "M18 14.5c2 .8 3.2 2.7 3.5 5.5",
  more: "M5 12v.01M12 12v.01M19 12v.01",
  file: "M6 3h8l4 4v14H6zM14 3v4h4",
  list: "M5 6h.01M9 6h11M5 12h.01M9 12h11M5 18h.01M9 18h11",
  key: "m12 5 7 7-7 7-7-7z",
  turn: "M4 12a8 8 0 1 0 3-6.2M4 4v4h4",
  survey: "M4 20h16M4 20V9l4-4h8l4 4v11M8 16v-4M12 16V9M16 16v-2",
  prepare: "M4 6h16M4 12h16M4 18h16M8 4v4M15 10v4M10 16v4",
  extract: "M4 4h16v16H4zM12 8a4 4 0 0 1 0 8zM12 8a4 4 0 0 0 0 8",
  despill:
    "M12 3.5a8.5 8.5 0 1 0 0 17 8.5 8.5 0 0 0 0-17zM12 8a4 4 0 1 0 0 8 4 4 0 0 0 0-8z" +
    "M12 3.5V8M19.4 16.2 15.5 14M4.6 16.2 8.5 14",
  assemble: "m12 3 9 5-9 5-9-5zM3 12.5l9 5 9-5M3 17l9 5 9-5",
  check: "M10.5 4a6.5 6.5 0 1 0 0 13 6.5 6.5 0 0 0 0-13zM15.5 15.5 21 21M7.5 10.5l2.2 2.2 4-4.2",
};

/** An icon. @param {string} name */
export function icon(name) {
  return s(
    "svg",
    { viewBox: "0 0 24 24", "aria-hidden": "true", focusable: "false" },
    s("path", { d: ICONS[name] }),
  );
}

/**
 * A button with a text, an icon, or both.
 * @param {{label: string, icon?: string, text?: string, class?: string, [key: string]: unknown}} props
 */
export function button({ label, icon: name, text, class: extra = "", ...rest }) {
  const only = name && text === undefined;
  return h(
    "button",
    {
      type: "button",
      class: `btn ${only ? "icon" : ""} ${extra}`,
      title: label,
      "aria-label": text === label ? undefined : label,
      ...rest,
    },
    name ? icon(name) : null,
    text ?? null,
  );
}

const STEP_OF_KEY = new Map([
  ["ArrowRight", 1],
  ["ArrowDown", 1],
  ["ArrowLeft", -1],
  ["ArrowUp", -1],
]);

/**
 * A row of buttons of which one is chosen.
 * @param {object} p
 * @param {string} p.label
 * @param {{value: string, text: string, title?: string}[]} p.options
 * @param {string} p.value
 * @param {(value: string) => void} p.onpick
 * @param {string} [p.class]
 */
export function oneOf({ label, options, value, onpick, class: extra = "" }) {
  const node = h("div", { class: `group ${extra}`, role: "radiogroup", "aria-label": label });
  const buttons = options.map((o) =>
    h("button", {
      type: "button",
      class: "btn",
      role: "radio",
      text: o.text,
      title: o.title ?? o.text,
      dataset: { value: o.value },
      onclick: () => pick(o.value, true),
    }),
  );
  node.append(...buttons);
  node.addEventListener("keydown", (event) => {
    const step = STEP_OF_KEY.get(event.key);
    if (!step) return;
    event.preventDefault();
    const at = buttons.findIndex((b) => b.getAttribute("aria-checked") === "true");
    const next = buttons[(at + step + buttons.length) % buttons.length];
    next.focus();
    pick(next.dataset.value ?? "", true);
  });
  /** @param {string} chosen @param {boolean} tell */
  function pick(chosen, tell) {
    const found = buttons.some((b) => b.dataset.value === chosen);
    for (const [i, b] of buttons.entries()) {
      const hit = b.dataset.value === chosen;
      b.setAttribute("aria-checked", String(hit));
      b.tabIndex = hit || (!found && i === 0) ? 0 : -1;
    }
    if (tell) onpick(chosen);
  }
  pick(value, false);
  return Object.assign(node, { show: (/** @type {string} */ chosen) => pick(chosen, false) });
}

/**
 * A switch.
 * @param {object} p
 * @param {string} p.label
 * @param {boolean} p.value
 * @param {(on: boolean) => void} p.onflip
 * @param {string | null} [p.text]
 * @param {string} [p.class]
 */
export function toggle({ label, value, onflip, text = label, class: extra = "" }) {
  const node = h(
    "button",
    { type: "button", class: `switch ${extra}`, role: "switch", "aria-label": label, title: label },
    h("span", { class: "rail" }),
    text,
  );
  const show = (/** @type {boolean} */ on) => node.setAttribute("aria-checked", String(on));
  node.addEventListener("click", () => {
    const on = node.getAttribute("aria-checked") !== "true";
    show(on);
    onflip(on);
  });
  show(value);
  return Object.assign(node, { show });
}

/**
 * A drop-down.
 * @param {object} p
 * @param {string} p.label
 * @param {[string, string][]} p.options value and text
 * @param {string} p.value
 * @param {(value: string) => void} p.onpick
 */
export function dropdown({ label, options, value, onpick }) {
  const node = h("select", { "aria-label": label, onchange: () => onpick(node.value) });
  const offer = (/** @type {[string, string][]} */ list, /** @type {string} */ chosen) => {
    node.replaceChildren(...list.map(([v, text]) => h("option", { value: v, text })));
    node.value = chosen;
  };
  offer(options, value);
  return Object.assign(node, { offer });
}

/** @type {Map<string, boolean>} which blocks are open, kept while panels are rebuilt */
const unfolded = new Map();

/**
 * A folding block.
 * @param {{title: string, open?: boolean, hint?: string, key?: string}} p
 * @param {...Child} children
 */
export function block({ title, open = false, hint: first = "", key }, ...children) {
  const note = h("span", { class: "quiet", text: first });
  const body = h("div", { class: "body" }, ...children);
  const node = h(
    "details",
    { class: "block", open: key ? (unfolded.get(key) ?? open) : open },
    h("summary", {}, title, note),
    body,
  );
  if (key) node.addEventListener("toggle", () => unfolded.set(key, node.open));
  return Object.assign(node, { body, hint: (/** @type {string} */ text) => (note.textContent = text) });
}

/** @param {Element} node @param {PointerEvent} e */
function outside(node, e) {
  const r = node.getBoundingClientRect();
  return e.clientX < r.left || e.clientX > r.right || e.clientY < r.top || e.clientY > r.bottom;
}

/** A modal sheet; `foot` is the row of its buttons. @param {string} title @param {...Child} children */
export function sheet(title, ...children) {
  const foot = h(
    "div",
    { class: "foot" },
    button({ label: "Close", text: "Close", onclick: () => node.close() }),
  );
  const node = h(
    "dialog",
    { class: "sheet", "aria-label": title },
    h("h2", { text: title }),
    ...children,
    foot,
  );
  node.addEventListener("close", () => node.remove());
  // A press beside the sheet closes it; the click that ends the tap that opened it does not.
  let pressed = false;
  node.addEventListener("pointerdown", (e) => (pressed = e.target === node && outside(node, e)));
  node.addEventListener("click", () => pressed && node.close());
  document.body.append(node);
  node.showModal();
  return Object.assign(node, { foot });
}
