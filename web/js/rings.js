// The despiller's hue curves as rings around the hues of the frame. A ring's base circle is the
// factor 1; the curve goes inwards below it and outwards above. Points are buttons with two values.

import { button, h, oneOf } from "./dom.js";
import { concerns, newGesture, set } from "./edits.js";
import { numberBox } from "./controls.js";
import { CURVE_POINTS, CURVE_RANGE } from "./limits.js";
import { figure, getAt } from "./paths.js";
import { BAND, drawRings, share } from "./ring-draw.js";
import { on, operator, perFrame, state } from "./store.js";
import { wantScope } from "./scopes.js";

/** @import { CurveName } from "./ring-draw.js" */
/** @import { CurvePoint, Density } from "./wire-types.js" */
/** @typedef {{moving?: boolean, gesture?: string}} How */

const DOUBLE_TAP_MS = 350;
/** @type {{value: CurveName, text: string, title: string}[]} */
const CURVES = [
  { value: "spill_by_hue", text: "Removal", title: "How much of the spill is removed, by hue" },
  { value: "saturation_by_hue", text: "Saturation", title: "Factor on saturation, by hue" },
];
const HELP =
  "Tap the ring to add a point, drag it along the ring and in or out, double tap it to remove it. " +
  "The inside shows the frame's own hues; a sampled colour is marked.";
const KEYS_HELP = "Left and right move along the ring, up and down change the factor, Delete removes.";
const WAYS = new Map([
  ["ArrowLeft", [1, 0]],
  ["ArrowRight", [-1, 0]],
  ["ArrowUp", [0, 1]],
  ["ArrowDown", [0, -1]],
]);
/** The curve that is seen, kept while panels are rebuilt. @type {CurveName} */
let chosenCurve = "spill_by_hue";

/** @param {number} v @param {readonly number[]} range */
const within = (v, [low, high]) => Number(Math.min(high, Math.max(low, v)).toFixed(3));

/** The points of a pass's curve, and how they are changed. */
class Points {
  /** @param {string[]} pass */
  constructor(pass) {
    this.pass = pass;
    /** @type {number | null} hue of the chosen point */
    this.chosen = null;
    this.gesture = "";
  }

  get path() {
    return [...this.pass, chosenCurve, "points"];
  }

  /** @returns {CurvePoint[]} */
  get list() {
    return getAt(state.recipe, this.path) ?? [];
  }

  get range() {
    return CURVE_RANGE[chosenCurve];
  }

  get title() {
    return chosenCurve === "spill_by_hue" ? "Removal by hue" : "Saturation by hue";
  }

  /**
   * Put a list of points, sorted, hues all different.
   * @param {CurvePoint[]} list
   * @param {string} act
   * @param {How} [how]
   */
  put(list, act, how) {
    const sorted = [...list].sort((a, b) => a.hue_deg - b.hue_deg);
    const kept = sorted.filter((p, i) => !i || p.hue_deg !== sorted[i - 1].hue_deg);
    set(this.path, kept, { label: `${this.title}: ${act} a point`, ...how });
  }

  /** @param {number} hue @param {number} value */
  add(hue, value) {
    if (!operator() || this.list.length >= CURVE_POINTS) return;
    this.chosen = hue;
    this.put([...this.list.filter((p) => p.hue_deg !== hue), { hue_deg: hue, value }], "add");
  }

  /** @param {number} hue */
  remove(hue) {
    this.chosen = null;
    this.put(
      this.list.filter((p) => p.hue_deg !== hue),
      "remove",
    );
  }

  /** @param {number} from @param {number} hue @param {number} value @param {boolean} moving */
  move(from, hue, value, moving) {
    const rest = this.list.filter((p) => p.hue_deg !== from);
    const free = rest.some((p) => Math.abs(p.hue_deg - hue) < 0.05) ? from : hue;
    this.chosen = free;
    this.put([...rest, { hue_deg: free, value }], "move", { moving, gesture: this.gesture });
  }
}

/** @param {string[]} pass path of the despill pass */
export function hueRings(pass) {
  const points = new Points(pass);
  const canvas = h("canvas", { "aria-hidden": "true" });
  const stage = h("div", { class: "rings", role: "group", "aria-label": "Hue rings" }, canvas);
  const detail = h("div", { class: "row wrap" });
  const onpick = (/** @type {string} */ v) => {
    chosenCurve = /** @type {CurveName} */ (v);
    points.chosen = null;
    refresh();
  };
  const pick = oneOf({ label: "Curve", class: "choice", options: CURVES, value: chosenCurve, onpick });
  const node = h("div", {}, pick, stage, detail, h("p", { class: "help", text: HELP }));
  /** @type {HTMLButtonElement[]} */
  const buttons = [];
  /** @type {Density | null} */
  let density = null;

  const mark = () => markChosen(buttons, points);
  const more = () => showDetail(detail, points);
  function refresh() {
    const { list } = points;
    while (buttons.length > list.length) buttons.pop()?.remove();
    while (buttons.length < list.length) {
      const b = pointButton(stage, points, buttons.length, { refresh, chosen: () => (mark(), more()) });
      buttons.push(b);
      stage.append(b);
    }
    list.forEach((p, i) => showPoint(buttons[i], p, i, points.title));
    mark();
    if (!detail.contains(document.activeElement)) more();
    draw();
  }
  const draw = perFrame(() => drawRings(canvas, { density, pass, curve: chosenCurve }));
  stage.addEventListener("pointerdown", (e) => e.target === canvas && addByPointer(stage, points, e));
  const stops = [
    wantScope("hues", (scope) => {
      density = scope.hues;
      draw();
      if (!node.isConnected) stops.forEach((f) => f());
    }),
    on("samples", () => {
      more();
      draw();
    }),
  ];
  new ResizeObserver(draw).observe(stage);
  refresh();
  return {
    node,
    refresh: (/** @type {string[][] | undefined} */ changed) => {
      if (concerns(changed, pass)) refresh();
    },
    tick: () => {},
    stop: () => stops.forEach((f) => f()),
  };
}

/** Hue, radius and factor under a pointer. @param {HTMLElement} stage @param {PointerEvent} e */
function polar(stage, e) {
  const r = stage.getBoundingClientRect();
  const [x, y] = [(e.clientX - r.left) / r.width - 0.5, 0.5 - (e.clientY - r.top) / r.height];
  const hue = (Math.round((Math.atan2(y, x) * 1800) / Math.PI) / 10 + 360) % 360;
  const [lo, hi] = CURVE_RANGE[chosenCurve];
  const radius = 2 * Math.hypot(x, y);
  const t = (radius - BAND[0]) / (BAND[1] - BAND[0]);
  return { hue, radius, value: within(lo + t * (hi - lo), [lo, hi]) };
}

/** @param {HTMLElement} stage @param {Points} points @param {PointerEvent} e */
function addByPointer(stage, points, e) {
  const at = polar(stage, e);
  if (!operator() || at.radius < BAND[0] - 0.05 || at.radius > 1) return;
  points.gesture = newGesture();
  points.add(at.hue, at.value);
  startDrag(stage, points, e, at.hue);
}

/**
 * @param {HTMLElement} stage
 * @param {Points} points
 * @param {PointerEvent} e
 * @param {number} hue
 * @param {() => void} [onmoved]
 */
function startDrag(stage, points, e, hue, onmoved = () => {}) {
  let from = hue;
  let moved = false;
  let last = polar(stage, e);
  stage.setPointerCapture(e.pointerId);
  const follow = (/** @type {PointerEvent} */ m) => {
    if (m.pointerId !== e.pointerId) return;
    if (Math.hypot(m.clientX - e.clientX, m.clientY - e.clientY) < 3 && !moved) return;
    moved = true;
    onmoved();
    last = polar(stage, m);
    points.move(from, last.hue, last.value, true);
    from = points.chosen ?? from;
  };
  const end = () => {
    stage.removeEventListener("pointermove", follow);
    stage.removeEventListener("pointerup", end);
    stage.removeEventListener("pointercancel", end);
    if (moved) points.move(from, last.hue, last.value, false);
  };
  stage.addEventListener("pointermove", follow);
  stage.addEventListener("pointerup", end);
  stage.addEventListener("pointercancel", end);
}

/**
 * @param {HTMLElement} stage
 * @param {Points} points
 * @param {number} i
 * @param {{refresh: () => void, chosen: () => void}} tell
 */
function pointButton(stage, points, i, tell) {
  let lastTap = -Infinity;
  const b = h("button", { type: "button", class: "point", dataset: { i } });
  const mine = () => points.list[Number(b.dataset.i)];
  b.addEventListener("pointerdown", (e) => {
    const p = mine();
    if (!p || !operator()) return;
    e.stopPropagation();
    if (e.timeStamp - lastTap < DOUBLE_TAP_MS) return points.remove(p.hue_deg);
    lastTap = e.timeStamp;
    points.chosen = p.hue_deg;
    points.gesture = newGesture();
    tell.refresh();
    // A drag is not the first half of a double tap.
    startDrag(stage, points, e, p.hue_deg, () => (lastTap = -Infinity));
  });
  b.addEventListener("focus", () => {
    points.chosen = mine()?.hue_deg ?? null;
    tell.chosen();
  });
  b.addEventListener("keydown", (e) => {
    const p = mine();
    if (!p) return;
    const way = WAYS.get(e.key);
    if (e.key === "Delete" || e.key === "Backspace") points.remove(p.hue_deg);
    else if (way) {
      const many = e.shiftKey ? 10 : 1;
      points.gesture = newGesture();
      const hue = (Number((p.hue_deg + way[0] * many).toFixed(1)) + 360) % 360;
      points.move(p.hue_deg, hue, within(p.value + 0.02 * way[1] * many, points.range), false);
    } else return;
    e.preventDefault();
  });
  return b;
}

/** @param {HTMLButtonElement} node @param {CurvePoint} p @param {number} i @param {string} title */
function showPoint(node, p, i, title) {
  const radius = share(chosenCurve, p.value);
  const angle = (p.hue_deg * Math.PI) / 180;
  node.style.left = `${50 + 50 * radius * Math.cos(angle)}%`;
  node.style.top = `${50 - 50 * radius * Math.sin(angle)}%`;
  node.dataset.i = String(i);
  const here = `factor ${figure(p.value, 0.01)} at hue ${figure(p.hue_deg, 0.1)} degrees`;
  node.setAttribute("aria-label", `${title}: ${here}. ${KEYS_HELP}`);
}

/** @param {HTMLButtonElement[]} buttons @param {Points} points */
const markChosen = (buttons, points) =>
  points.list.forEach((p, i) =>
    buttons[i]?.setAttribute("aria-current", String(p.hue_deg === points.chosen)),
  );

/** The numbers of the chosen point, else an offer to set one. @param {HTMLElement} place @param {Points} points */
function showDetail(place, points) {
  const p = points.list.find((q) => q.hue_deg === points.chosen);
  if (!p || !operator()) {
    const sample = state.samples[0]?.sample;
    return place.replaceChildren(sample && operator() ? atSample(points, sample.hue_deg) : "");
  }
  const [low, high] = points.range;
  const hue = numberBox("Hue of the point", { step: 1, low: 0, high: 359.9 }, (v) =>
    points.move(p.hue_deg, v, p.value, false),
  );
  const value = numberBox("Factor of the point", { step: 0.01, low, high }, (v) =>
    points.move(p.hue_deg, p.hue_deg, v, false),
  );
  hue.show(p.hue_deg);
  value.show(p.value);
  const remove = () => points.remove(p.hue_deg);
  place.replaceChildren(
    ...[
      h("span", { class: "quiet", text: "Hue" }),
      hue,
      h("span", { class: "quiet", text: "Factor" }),
      value,
    ],
    button({ label: "Remove this point", icon: "bin", class: "flat", onclick: remove }),
  );
}

/** @param {Points} points @param {number} hue */
const atSample = (points, hue) =>
  button({
    label: "Add a point at the sampled hue",
    text: `Point at the sampled hue, ${figure(hue, 1)}°`,
    class: "small",
    onclick: () => points.add((Math.round(hue * 10) / 10) % 360, chosenCurve === "spill_by_hue" ? 0.5 : 1),
  });
