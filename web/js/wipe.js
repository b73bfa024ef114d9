// The wipe between two views: an edge along one axis, dragged anywhere along its length.

import { button, h } from "./dom.js";
import { pictureBox, toStage } from "./picture.js";
import { on, state } from "./store.js";
import { look, view, viewTitle } from "./view.js";
import { viewOf, viewOptions } from "./viewbar.js";

const edge = h("button", {
  type: "button",
  class: "wipe",
  role: "slider",
  "aria-valuemin": 0,
  "aria-valuemax": 100,
  hidden: true,
});
const before = h("span", { class: "wipelabel", hidden: true });
const second = h("select", {
  "aria-label": "Second view of the wipe",
  onchange: () => {
    const [name, extractor] = viewOf(second.value);
    look({ wipe: { ...view.wipe, name, extractor } });
  },
});
const turn = button({
  label: "Rotate the wipe's edge",
  icon: "turn",
  onclick: () =>
    look({ wipe: { ...view.wipe, edge: view.wipe.edge === "vertical" ? "horizontal" : "vertical" } }),
});
const after = h("div", { class: "wipeside row", hidden: true }, second, turn);
let offered = "";
document.getElementById("marks")?.append(edge, before, after);

/** @param {number} at */
const moveTo = (at) => look({ wipe: { ...view.wipe, at: Math.min(1, Math.max(0, Number(at.toFixed(4)))) } });

edge.addEventListener("pointerdown", (/** @type {PointerEvent} */ e) => {
  e.stopPropagation();
  edge.setPointerCapture(e.pointerId);
  edge.classList.add("dragging");
});
edge.addEventListener("pointermove", (/** @type {PointerEvent} */ e) => {
  if (!edge.hasPointerCapture(e.pointerId)) return;
  const r = pictureBox.getBoundingClientRect();
  const [a, b] = corners();
  if (view.wipe.edge === "vertical") moveTo((e.clientX - r.left - a[0]) / (b[0] - a[0]));
  else moveTo((e.clientY - r.top - a[1]) / (b[1] - a[1]));
});
for (const type of ["pointerup", "pointercancel"])
  edge.addEventListener(type, () => edge.classList.remove("dragging"));
edge.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
  const by = {
    ArrowRight: 0.01,
    ArrowUp: 0.01,
    ArrowLeft: -0.01,
    ArrowDown: -0.01,
    PageUp: 0.1,
    PageDown: -0.1,
  }[e.key];
  if (!by) return;
  e.preventDefault();
  moveTo(view.wipe.at + by);
});

const corners = () => [toStage(0, 0), toStage(state.shot?.width ?? 1, state.shot?.height ?? 1)];

function show() {
  const { on: active, edge: way, at, name, extractor } = view.wipe;
  for (const n of [edge, before, after]) n.hidden = !active || !state.shot;
  if (!active || !state.shot) return;
  const [[x0, y0], [x1, y1]] = corners();
  const across = way === "horizontal";
  edge.classList.toggle("across", across);
  edge.style.left = across ? "" : `${x0 + (x1 - x0) * at}px`;
  edge.style.top = across ? `${y0 + (y1 - y0) * at}px` : "";
  edge.setAttribute("aria-label", "Wipe edge");
  edge.setAttribute("aria-orientation", across ? "vertical" : "horizontal");
  edge.setAttribute("aria-valuenow", String(Math.round(at * 100)));
  before.textContent = viewTitle(view.name, view.extractor);
  const nodes = viewOptions(() => true);
  const key = nodes.map((n) => n.textContent).join("|");
  if (key !== offered) second.replaceChildren(...nodes);
  offered = key;
  second.value = `${name}/${extractor}`;
  const [w, h2] = [pictureBox.clientWidth, pictureBox.clientHeight];
  const [left, top, right, low] = [
    Math.max(8, x0 + 8),
    Math.max(8, y0 + 8),
    Math.min(w - 8, x1 - 8),
    Math.min(h2 - 34, y1 - 34),
  ];
  Object.assign(before.style, { left: `${left}px`, top: `${top}px`, right: "auto", bottom: "auto" });
  Object.assign(
    after.style,
    across
      ? { left: `${left}px`, top: `${low}px`, right: "auto" }
      : { left: "auto", right: `${w - right}px`, top: `${top}px` },
  );
}
on("view placed shot recipe ready", show);
