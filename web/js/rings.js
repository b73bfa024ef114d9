// The despiller's hue curves as rings around the hues of the frame. A ring's base circle is the
// factor 1; the curve goes inwards below it and outwards above. Points are buttons with two values.

import { button, h, oneOf } from "./dom.js";
import { concerns, newGesture, set } from "./edits.js";
import { hueInk, hueTable } from "./hue-curve.js";
import { numberBox } from "./controls.js";
import { drawDensity } from "./scope-draw.js";
import { figure, getAt } from "./paths.js";
import { on, operator, perFrame, state } from "./store.js";
import { wantScope } from "./scopes.js";

const INNER = 0.56; // radius of the hue plot, of half the size
const RANGE = { spill_by_hue: [0, 1], saturation_by_hue: [0, 2] };
const BAND = [0.64, 0.96];
const MOST = 24;
const CURVES = [
  { value: "spill_by_hue", text: "Removal", title: "How much of the spill is removed, by hue" },
  { value: "saturation_by_hue", text: "Saturation", title: "Factor on saturation, by hue" },
];
let chosenCurve = /** @type {keyof typeof RANGE} */ ("spill_by_hue");

/** @param {string[]} pass path of the despill pass */
export function hueRings(pass) {
  const canvas = h("canvas", { "aria-hidden": "true" });
  const stage = h("div", { class: "rings", role: "group", "aria-label": "Hue rings" }, canvas);
  const detail = h("div", { class: "row wrap" });
  const pick = oneOf({
    label: "Curve",
    class: "choice",
    options: CURVES,
    value: chosenCurve,
    onpick: (v) => {
      chosenCurve = /** @type {any} */ (v);
      chosen = null;
      refresh();
    },
  });
  const node = h(
    "div",
    {},
    pick,
    stage,
    detail,
    h("p", {
      class: "help",
      text: "Tap the ring to add a point, drag it along the ring and in or out, double tap it to remove it. The inside shows the frame's own hues; a sampled colour is marked.",
    }),
  );
  /** @type {number | null} hue of the chosen point */
  let chosen = null;
  /** @type {any[]} */
  let buttons = [];
  /** @type {any} */
  let density = null;
  let gesture = "";

  const path = () => [...pass, chosenCurve, "points"];
  /** @returns {import("./hue-curve.js").CurvePoint[]} */
  const points = () => getAt(state.recipe, path()) ?? [];
  const share = (/** @type {number} */ v) => {
    const [lo, hi] = RANGE[chosenCurve];
    return BAND[0] + ((BAND[1] - BAND[0]) * (Math.min(hi, v) - lo)) / (hi - lo);
  };
  const place = (/** @type {number} */ hue, /** @type {number} */ radius) => [
    0.5 + 0.5 * radius * Math.cos((hue * Math.PI) / 180),
    0.5 - 0.5 * radius * Math.sin((hue * Math.PI) / 180),
  ];
  const title = () => (chosenCurve === "spill_by_hue" ? "Removal by hue" : "Saturation by hue");

  /** @param {PointerEvent | {clientX: number, clientY: number}} e */
  function polar(e) {
    const r = stage.getBoundingClientRect();
    const [x, y] = [(e.clientX - r.left) / r.width - 0.5, 0.5 - (e.clientY - r.top) / r.height];
    const hue = (Math.round((Math.atan2(y, x) * 1800) / Math.PI) / 10 + 360) % 360;
    const [lo, hi] = RANGE[chosenCurve];
    const t = (2 * Math.hypot(x, y) - BAND[0]) / (BAND[1] - BAND[0]);
    return {
      hue,
      radius: 2 * Math.hypot(x, y),
      value: Number(Math.min(hi, Math.max(lo, lo + t * (hi - lo))).toFixed(3)),
    };
  }

  /** Put a list of points, sorted, hues all different. @param {any[]} list @param {{label: string, moving?: boolean, gesture?: string}} how */
  function put(list, how) {
    const sorted = [...list]
      .sort((a, b) => a.hue_deg - b.hue_deg)
      .filter((p, i, all) => !i || p.hue_deg !== all[i - 1].hue_deg);
    set(path(), sorted, how);
  }
  /** @param {number} hue @param {number} value */
  function add(hue, value) {
    if (!operator() || points().length >= MOST) return;
    chosen = hue;
    put([...points().filter((p) => p.hue_deg !== hue), { hue_deg: hue, value }], {
      label: `${title()}: add a point`,
    });
  }
  /** @param {number} hue */
  function remove(hue) {
    chosen = null;
    put(
      points().filter((p) => p.hue_deg !== hue),
      { label: `${title()}: remove a point` },
    );
  }
  /** @param {number} from @param {number} hue @param {number} value @param {boolean} moving */
  function move(from, hue, value, moving) {
    const rest = points().filter((p) => p.hue_deg !== from);
    const free = rest.some((p) => Math.abs(p.hue_deg - hue) < 0.05) ? from : hue;
    chosen = free;
    put([...rest, { hue_deg: free, value }], { label: `${title()}: move a point`, moving, gesture });
  }

  stage.addEventListener("pointerdown", (/** @type {PointerEvent} */ e) => {
    if (e.target !== canvas || !operator()) return;
    const at = polar(e);
    if (at.radius < BAND[0] - 0.05 || at.radius > 1) return;
    gesture = newGesture();
    add(at.hue, at.value);
    startDrag(e, at.hue);
  });

  /** @param {PointerEvent} e @param {number} hue */
  function startDrag(e, hue) {
    let from = hue;
    let moved = false;
    let last = polar(e);
    stage.setPointerCapture(e.pointerId);
    const follow = (/** @type {PointerEvent} */ m) => {
      if (m.pointerId !== e.pointerId) return;
      if (Math.hypot(m.clientX - e.clientX, m.clientY - e.clientY) < 3 && !moved) return;
      moved = true;
      last = polar(m);
      move(from, last.hue, last.value, true);
      from = chosen ?? from;
    };
    const end = () => {
      stage.removeEventListener("pointermove", follow);
      stage.removeEventListener("pointerup", end);
      stage.removeEventListener("pointercancel", end);
      if (moved) move(from, last.hue, last.value, false);
    };
    stage.addEventListener("pointermove", follow);
    stage.addEventListener("pointerup", end);
    stage.addEventListener("pointercancel", end);
  }

  /** @param {number} i */
  function pointButton(i) {
    let lastTap = -Infinity;
    const b = h("button", { type: "button", class: "point", dataset: { i } });
    const mine = () => points()[Number(b.dataset.i)];
    b.addEventListener("pointerdown", (/** @type {PointerEvent} */ e) => {
      const p = mine();
      if (!p || !operator()) return;
      e.stopPropagation();
      if (e.timeStamp - lastTap < 350) return remove(p.hue_deg);
      lastTap = e.timeStamp;
      chosen = p.hue_deg;
      gesture = newGesture();
      refresh();
      startDrag(e, p.hue_deg);
    });
    b.addEventListener("focus", () => {
      chosen = mine()?.hue_deg ?? null;
      showDetail();
      markChosen();
    });
    b.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
      const p = mine();
      if (!p) return;
      const many = e.shiftKey ? 10 : 1;
      const by = {
        ArrowLeft: [many, 0],
        ArrowRight: [-many, 0],
        ArrowUp: [0, 0.02 * many],
        ArrowDown: [0, -0.02 * many],
      }[e.key];
      if (e.key === "Delete" || e.key === "Backspace") remove(p.hue_deg);
      else if (by) {
        gesture = newGesture();
        const [lo, hi] = RANGE[chosenCurve];
        move(
          p.hue_deg,
          (Number((p.hue_deg + by[0]).toFixed(1)) + 360) % 360,
          Number(Math.min(hi, Math.max(lo, p.value + by[1])).toFixed(3)),
          false,
        );
      } else return;
      e.preventDefault();
    });
    return b;
  }

  function markChosen() {
    points().forEach((p, i) => buttons[i]?.setAttribute("aria-current", String(p.hue_deg === chosen)));
  }

  function showDetail() {
    const p = points().find((q) => q.hue_deg === chosen);
    if (!p || !operator()) {
      const mark = state.samples[0]?.sample;
      detail.replaceChildren(
        mark && operator()
          ? button({
              label: "Add a point at the sampled hue",
              text: `Point at the sampled hue, ${figure(mark.hue_deg, 1)}°`,
              class: "small",
              onclick: () =>
                add((Math.round(mark.hue_deg * 10) / 10) % 360, chosenCurve === "spill_by_hue" ? 0.5 : 1),
            })
          : "",
      );
      return;
    }
    const [lo, hi] = RANGE[chosenCurve];
    const hue = numberBox("Hue of the point", { step: 1, low: 0, high: 359.9 }, (v) =>
      move(p.hue_deg, v, p.value, false),
    );
    const value = numberBox("Factor of the point", { step: 0.01, low: lo, high: hi }, (v) =>
      move(p.hue_deg, p.hue_deg, v, false),
    );
    hue.show(p.hue_deg);
    value.show(p.value);
    detail.replaceChildren(
      h("span", { class: "quiet", text: "Hue" }),
      hue,
      h("span", { class: "quiet", text: "Factor" }),
      value,
      button({ label: "Remove this point", icon: "bin", class: "flat", onclick: () => remove(p.hue_deg) }),
    );
  }

  function refresh() {
    const list = points();
    while (buttons.length > list.length) buttons.pop().remove();
    while (buttons.length < list.length) {
      const b = pointButton(buttons.length);
      buttons.push(b);
      stage.append(b);
    }
    list.forEach((p, i) => {
      const [x, y] = place(p.hue_deg, share(p.value));
      buttons[i].style.left = `${x * 100}%`;
      buttons[i].style.top = `${y * 100}%`;
      buttons[i].dataset.i = String(i);
      buttons[i].setAttribute(
        "aria-label",
        `${title()}: factor ${figure(p.value, 0.01)} at hue ${figure(p.hue_deg, 0.1)} degrees. Left and right move along the ring, up and down change the factor, Delete removes.`,
      );
    });
    markChosen();
    if (!detail.contains(document.activeElement)) showDetail();
    draw();
  }

  const draw = perFrame(() => drawRings(canvas, { density, pass, chosenCurve, share }));
  const stops = [
    wantScope("hues", (/** @type {any} */ scope) => {
      density = scope.hues;
      draw();
      if (!node.isConnected) stops.forEach((f) => f());
    }),
    on("samples", () => {
      showDetail();
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

/** @param {any} canvas @param {{density: any, pass: string[], chosenCurve: string, share: (v: number) => number}} what */
function drawRings(canvas, { density, pass, chosenCurve, share }) {
  const size = Math.round(canvas.clientWidth * devicePixelRatio);
  if (!size) return;
  if (canvas.width !== size || canvas.height !== size) canvas.width = canvas.height = size;
  const c = canvas.getContext("2d");
  const r = size / 2;
  c.clearRect(0, 0, size, size);
  c.save();
  c.translate(r, r);
  if (density) drawDensity(c, density, -r * INNER, -r * INNER, 2 * r * INNER, { hues: true });
  c.lineWidth = Math.max(1, size / 420);
  c.strokeStyle = "#5c5c5c";
  for (const t of [0.5, 1]) circle(c, r * INNER * t);
  for (const [i, name] of ["R", "Yl", "G", "Cy", "B", "Mg"].entries()) {
    const a = (-i * Math.PI) / 3;
    c.beginPath();
    c.moveTo(r * INNER * 0.94 * Math.cos(a), r * INNER * 0.94 * Math.sin(a));
    c.lineTo(r * INNER * 1.03 * Math.cos(a), r * INNER * 1.03 * Math.sin(a));
    c.stroke();
    c.fillStyle = "#b9b9b9";
    c.font = `${Math.round(size / 30)}px system-ui, sans-serif`;
    c.textAlign = "center";
    c.textBaseline = "middle";
    c.fillText(name, r * INNER * 0.84 * Math.cos(a), r * INNER * 0.84 * Math.sin(a));
  }
  const points = getAt(state.recipe, [...pass, chosenCurve, "points"]) ?? [];
  const table = hueTable(points);
  // Base circle of factor 1 in the colours of the hues; the band between it and the curve filled.
  const base = share(1) * r;
  for (let hue = 0; hue < 360; hue += 2) {
    const [a, b] = [(-(hue + 2.2) * Math.PI) / 180, (-hue * Math.PI) / 180];
    const [v0, v1] = [share(table[hue]) * r, share(table[(hue + 2) % 360]) * r];
    c.fillStyle = hueInk(hue, 34);
    c.beginPath();
    c.arc(0, 0, base, a, b);
    c.lineTo(v0 * Math.cos(b), v0 * Math.sin(b));
    c.lineTo(v1 * Math.cos(a), v1 * Math.sin(a));
    c.fill();
    c.strokeStyle = hueInk(hue);
    c.lineWidth = size / 90;
    c.beginPath();
    c.arc(0, 0, base, a, b);
    c.stroke();
  }
  c.strokeStyle = "#f2f2f2";
  c.lineWidth = size / 220;
  c.beginPath();
  for (let hue = 0; hue <= 360; hue++) {
    const [v, a] = [share(table[hue % 360]) * r, (-hue * Math.PI) / 180];
    if (hue) c.lineTo(v * Math.cos(a), v * Math.sin(a));
    else c.moveTo(v * Math.cos(a), v * Math.sin(a));
  }
  c.stroke();
  c.strokeStyle = "#3a3a3a";
  c.lineWidth = Math.max(1, size / 420);
  circle(c, r * 0.64);
  circle(c, r * 0.96);
  for (const { sample } of state.samples.slice(0, 3)) markSample(c, sample, r, size);
  c.restore();
}

/** @param {any} c @param {any} sample @param {number} r @param {number} size */
function markSample(c, sample, r, size) {
  const a = (-sample.hue_deg * Math.PI) / 180;
  const at = Math.min(1, sample.saturation) * INNER * r;
  c.strokeStyle = "#f2f2f2";
  c.lineWidth = size / 300;
  c.setLineDash([size / 80, size / 80]);
  c.beginPath();
  c.moveTo(at * Math.cos(a), at * Math.sin(a));
  c.lineTo(r * 0.99 * Math.cos(a), r * 0.99 * Math.sin(a));
  c.stroke();
  c.setLineDash([]);
  c.fillStyle = `rgb(${sample.display.join(" ")})`;
  c.beginPath();
  c.arc(at * Math.cos(a), at * Math.sin(a), size / 55, 0, 2 * Math.PI);
  c.fill();
  c.stroke();
}

/** @param {any} c @param {number} radius */
function circle(c, radius) {
  c.beginPath();
  c.arc(0, 0, radius, 0, 2 * Math.PI);
  c.stroke();
}
