// Small helpers to build elements; no markup strings, so nothing has to be escaped.

const SVG = "http://www.w3.org/2000/svg";

/**
 * Build an element. `on…` keys are listeners, `class`, `dataset` and `text` are set as such, keys
 * that are properties of the element are assigned, all others become attributes.
 * @param {string} tag
 * @param {Record<string, any>} [props]
 * @param {...any} children
 * @returns {any}
 */
export function h(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === undefined || value === null) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "class") node.className = value;
    else if (name === "text") node.textContent = value;
    else if (name === "dataset") Object.assign(node.dataset, value);
    else if (name === "list" || name.includes("-") || !(name in node)) node.setAttribute(name, String(value));
    else /** @type {any} */ (node)[name] = value;
  }
  node.append(...children.flat().filter((c) => c !== null && c !== undefined && c !== false));
  return node;
}

/** Build an SVG element with attributes. @param {string} tag @param {Record<string, any>} [attrs] @param {...any} children @returns {any} */
export function s(tag, attrs = {}, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attrs)) node.setAttribute(name, String(value));
  node.append(...children);
  return node;
}

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
  start: "M9 5H6v14h3M13 12h6",
  end: "M15 5h3v14h-3M11 12H5",
  up: "m6 14 6-6 6 6",
  down: "m6 10 6 6 6-6",
  close: "M6 6l12 12M18 6 6 18",
  bin: "M5 7h14M10 7V4h4v3M7 7l1 13h8l1-13",
  eye: "M3 12s3.5-6 9-6 9 6 9 6-3.5 6-9 6-9-6-9-6zM12 9.5a2.5 2.5 0 1 0 0 5 2.5 2.5 0 0 0 0-5",
  only: "M4 4h16v16H4zM9 9h6v6H9z",
  people:
    "M9 11a3.5 3.5 0 1 0 0-7 3.5 3.5 0 0 0 0 7zM2.5 20c.5-4 3-6 6.5-6s6 2 6.5 6M16 4.5a3.5 3.5 0 0 1 0 6.5M18 14.5c2 .8 3.2 2.700 3.5 5.5",
  more: "M5 12v.01M12 12v.01M19 12v.01",
  file: "M6 3h8l4 4v14H6zM14 3v4h4",
  key: "m12 5 7 7-7 7-7-7z",
  turn: "M4 12a8 8 0 1 0 3-6.2M4 4v4h4",
  survey: "M4 20h16M4 20V9l4-4h8l4 4v11M8 16v-4M12 16V9M16 16v-2",
  prepare: "M4 6h16M4 12h16M4 18h16M8 4v4M15 10v4M10 16v4",
  extract: "M4 4h16v16H4zM12 8a4 4 0 0 1 0 8zM12 8a4 4 0 0 0 0 8",
  despill:
    "M12 3.5a8.5 8.5 0 1 0 0 17 8.5 8.5 0 0 0 0-17zM12 8a4 4 0 1 0 0 8 4 4 0 0 0 0-8zM12 3.5V8M19.4 16.2 15.5 14M4.6 16.2 8.5 14",
  assemble: "m12 3 9 5-9 5-9-5zM3 12.5l9 5 9-5M3 17l9 5 9-5",
  check: "M10.5 4a6.5 6.5 0 1 0 0 13 6.5 6.5 0 0 0 0-13zM15.5 15.5 21 21M7.5 10.5l2.2 2.2 4-4.2",
};

/** An icon. @param {string} name @returns {any} */
export function icon(name) {
  return s(
    "svg",
    { viewBox: "0 0 24 24", "aria-hidden": "true", focusable: "false" },
    s("path", { d: ICONS[name] }),
  );
}

/** A button with a text, an icon, or both. @param {{label: string, icon?: string, text?: string, class?: string, [key: string]: any}} props */
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

/** A row of buttons of which one is chosen. @param {{label: string, options: {value: string, text: string, title?: string}[], value: string, onpick: (value: string) => void, class?: string}} p */
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
  node.addEventListener("keydown", (/** @type {KeyboardEvent} */ event) => {
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    const at = buttons.findIndex((b) => b.getAttribute("aria-checked") === "true");
    const next = buttons[(at + step + buttons.length) % buttons.length];
    next.focus();
    pick(next.dataset.value, true);
  });
  /** @param {string} chosen @param {boolean} tell */
  function pick(chosen, tell) {
    const any = buttons.some((b) => b.dataset.value === chosen);
    for (const [i, b] of buttons.entries()) {
      const hit = b.dataset.value === chosen;
      b.setAttribute("aria-checked", String(hit));
      b.tabIndex = hit || (!any && i === 0) ? 0 : -1;
    }
    if (tell) onpick(chosen);
  }
  node.show = (/** @type {string} */ chosen) => pick(chosen, false);
  pick(value, false);
  return node;
}

/** A switch. @param {{label: string, value: boolean, onflip: (on: boolean) => void, text?: string | null, class?: string}} p */
export function toggle({ label, value, onflip, text = label, class: extra = "" }) {
  const node = h(
    "button",
    { type: "button", class: `switch ${extra}`, role: "switch", "aria-label": label, title: label },
    h("span", { class: "rail" }),
    text,
  );
  node.show = (/** @type {boolean} */ on) => node.setAttribute("aria-checked", String(on));
  node.addEventListener("click", () => {
    const on = node.getAttribute("aria-checked") !== "true";
    node.show(on);
    onflip(on);
  });
  node.show(value);
  return node;
}

/** A drop-down. @param {{label: string, options: [string, string][], value: string, onpick: (value: string) => void}} p */
export function dropdown({ label, options, value, onpick }) {
  const node = h("select", { "aria-label": label, onchange: () => onpick(node.value) });
  node.offer = (/** @type {[string, string][]} */ list, /** @type {string} */ chosen) => {
    node.replaceChildren(...list.map(([v, text]) => h("option", { value: v, text })));
    node.value = chosen;
  };
  node.offer(options, value);
  return node;
}

/** A folding block. @param {{title: string, open?: boolean, hint?: string, key?: string}} p @param {...any} children */
export function block({ title, open = false, hint = "", key }, ...children) {
  const note = h("span", { class: "quiet", text: hint });
  const body = h("div", { class: "body" }, ...children);
  const node = h(
    "details",
    { class: "block", open: key ? (unfolded.get(key) ?? open) : open },
    h("summary", {}, title, note),
    body,
  );
  if (key) node.addEventListener("toggle", () => unfolded.set(key, node.open));
  node.body = body;
  node.hint = (/** @type {string} */ text) => (note.textContent = text);
  return node;
}
/** @type {Map<string, boolean>} which blocks are open, kept while panels are rebuilt */
const unfolded = new Map();

/** @param {any} node @param {PointerEvent} e */
function outside(node, e) {
  const r = node.getBoundingClientRect();
  return e.clientX < r.left || e.clientX > r.right || e.clientY < r.top || e.clientY > r.bottom;
}

/** A modal sheet. @param {string} title @param {...any} children */
export function sheet(title, ...children) {
  const node = h("dialog", { class: "sheet", "aria-label": title }, h("h2", { text: title }), ...children);
  node.append(
    h("div", { class: "foot" }, button({ label: "Close", text: "Close", onclick: () => node.close() })),
  );
  node.addEventListener("close", () => node.remove());
  // A press beside the sheet closes it; the click that ends the tap that opened it does not.
  let pressed = false;
  node.addEventListener(
    "pointerdown",
    (/** @type {PointerEvent} */ e) => (pressed = e.target === node && outside(node, e)),
  );
  node.addEventListener("click", () => pressed && node.close());
  document.body.append(node);
  node.showModal();
  return node;
}
