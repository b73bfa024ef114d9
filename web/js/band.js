// A value band over the histogram of its channel: one strip says where it starts, one where it
// ends. A strip's block is the soft part; drag the block to move it, its sides to soften it.

import { h, toggle } from "./dom.js";
import { change, concerns, newGesture } from "./edits.js";
import { numberBox } from "./controls.js";
import { at, withNumber } from "./keys.js";
import { figure, getAt } from "./paths.js";
import { fitCanvas, ticks } from "./scope-draw.js";
import { operator, perFrame, state } from "./store.js";
import { wantScope } from "./scopes.js";

const ENDS = {
  starts: { outer: "low_out", inner: "low_in", word: "Starts", open: "takes everything below" },
  ends: { outer: "high_in", inner: "high_out", word: "Ends", open: "takes everything above" },
};

/** ACEScct of a scene-linear value. Source: S-2016-001. @param {number} v */
export const acescct = (v) =>
  v <= 0.0078125 ? 10.5402377416545 * v + 0.0729055341958355 : (Math.log2(v) + 9.72) / 17.52;

/** @param {string[]} path of the extractor */
export function valueBand(path) {
  const canvas = h("canvas", {
    role: "img",
    "aria-label": "Histogram of the channel; what the band takes is bright",
  });
  const node = h("div", { class: "band" }, canvas);
  const item = () => getAt(state.recipe, path);
  const frame = () => state.playhead.frame;
  const value = (/** @type {string} */ key) => at(item()?.[key], frame());
  /** @type {any} */
  let histogram = null;
  let range = [0, 1];
  const strips = Object.keys(ENDS).map((end) => strip(/** @type {keyof typeof ENDS} */ (end)));
  for (const s of strips) node.append(s.head, s.node);

  const toShare = (/** @type {number} */ v) => (v - range[0]) / (range[1] - range[0]);
  const fromShare = (/** @type {number} */ t) => range[0] + t * (range[1] - range[0]);

  /** As far as the frame's values go, and as far as the band does. */
  function measureRange() {
    const scale = item()?.space === "log" ? acescct : (/** @type {number} */ v) => v;
    const found = histogram ? [scale(histogram.low), scale(histogram.high)] : [0, 1];
    const set = Object.values(ENDS)
      .flatMap((e) => [value(e.outer), value(e.inner)])
      .filter((v) => v !== null);
    const [lo, hi] = [Math.min(found[0], ...set), Math.max(found[1], ...set)];
    range = [lo - (hi - lo) * 0.02, hi + (hi - lo) * 0.02];
  }

  /** Set both numbers of an end, kept in order with the other end. @param {keyof typeof ENDS} end @param {number} a @param {number} b @param {{moving?: boolean, gesture?: string}} how */
  function put(end, a, b, how) {
    const { outer, inner, word } = ENDS[end];
    const other = end === "starts" ? (value("high_in") ?? Infinity) : (value("low_in") ?? -Infinity);
    let [first, second] = [Math.min(a, b), Math.max(a, b)];
    if (end === "starts") [first, second] = [Math.min(first, other), Math.min(second, other)];
    else [first, second] = [Math.max(first, other), Math.max(second, other)];
    const round = (/** @type {number} */ v) => Number(v.toFixed(5));
    change(
      [
        { op: "set", path: [...path, outer], value: withNumber(item()[outer] ?? 0, frame(), round(first)) },
        { op: "set", path: [...path, inner], value: withNumber(item()[inner] ?? 0, frame(), round(second)) },
      ],
      { label: `${item().name}: ${word.toLowerCase()}`, ...how },
    );
  }

  /** @param {keyof typeof ENDS} end */
  function strip(end) {
    const { outer, inner, word, open } = ENDS[end];
    const soft = h("div", { class: "soft", role: "slider", tabIndex: 0, "aria-label": `${word} at` });
    const left = h("div", {
      class: "pull lower",
      role: "slider",
      tabIndex: 0,
      "aria-label": `${word}: lower side of the soft part`,
    });
    const right = h("div", {
      class: "pull",
      role: "slider",
      tabIndex: 0,
      "aria-label": `${word}: upper side of the soft part`,
    });
    const text = h("span", { class: "word" });
    const bar = h("div", { class: "strip", dataset: { end } }, soft, left, right, text);
    const boxes = [outer, inner].map((key) =>
      numberBox(
        `${word}, ${key === outer ? "lower" : "upper"} value`,
        { step: 0.001, low: -1e6, high: 1e6 },
        (v) => put(end, key === outer ? v : (value(outer) ?? v), key === inner ? v : (value(inner) ?? v), {}),
      ),
    );
    const isOpen = toggle({ label: `${word}: open`, text: "Open", value: false, onflip: flip });
    const head = h(
      "div",
      { class: "striphead" },
      h("span", { class: "name grow", text: word }),
      ...boxes,
      isOpen,
    );

    /** @param {boolean} on */
    function flip(on) {
      if (on)
        return change(
          [
            { op: "set", path: [...path, outer], value: null },
            { op: "set", path: [...path, inner], value: null },
          ],
          { label: `${item().name}: ${word.toLowerCase()} open` },
        );
      const t = end === "starts" ? 0.05 : 0.9;
      put(end, fromShare(t), fromShare(t + 0.05), {});
    }
    for (const [target, parts] of /** @type {[any, number[]][]} */ ([
      [soft, [1, 1]],
      [left, [1, 0]],
      [right, [0, 1]],
    ]))
      drag(target, parts);

    /** @param {any} target @param {number[]} parts */
    function drag(target, parts) {
      let gesture = "";
      let from = { x: 0, a: 0, b: 0 };
      target.addEventListener("pointerdown", (/** @type {PointerEvent} */ e) => {
        if (!operator() || e.button !== 0) return;
        gesture = newGesture();
        from = { x: e.clientX, a: Number(value(outer)), b: Number(value(inner)) };
        target.setPointerCapture(e.pointerId);
        target.classList.add("dragging");
      });
      const go = (/** @type {PointerEvent} */ e, /** @type {boolean} */ moving) => {
        if (!target.hasPointerCapture(e.pointerId)) return;
        const d = ((e.clientX - from.x) / bar.clientWidth) * (range[1] - range[0]) * (e.shiftKey ? 0.1 : 1);
        const [a, b] = [from.a + d * parts[0], from.b + d * parts[1]];
        if (moving || d)
          put(end, parts[1] ? a : Math.min(a, from.b), parts[0] ? b : Math.max(b, from.a), {
            moving,
            gesture,
          });
      };
      target.addEventListener("pointermove", (/** @type {PointerEvent} */ e) => go(e, true));
      target.addEventListener("pointerup", (/** @type {PointerEvent} */ e) => {
        go(e, false);
        target.classList.remove("dragging");
      });
      target.addEventListener("keydown", (/** @type {KeyboardEvent} */ e) => {
        const by = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10 }[
          e.key
        ];
        if (!by || !operator()) return;
        e.preventDefault();
        const step = (by * (range[1] - range[0])) / 400;
        put(end, Number(value(outer)) + step * parts[0], Number(value(inner)) + step * parts[1], {});
      });
    }

    function show() {
      const [a, b] = [value(outer), value(inner)];
      const closed = a !== null && b !== null;
      isOpen.show(!closed);
      bar.classList.toggle("open", !closed);
      text.textContent = closed ? "" : open;
      for (const n of [soft, left, right]) n.hidden = !closed;
      boxes.forEach((box, i) => {
        box.hidden = !closed;
        box.show(i ? b : a);
      });
      if (!closed) return;
      const [p, q] = [toShare(a), toShare(b)];
      soft.style.left = `${p * 100}%`;
      soft.style.width = `${Math.max(0, q - p) * 100}%`;
      left.style.left = `${p * 100}%`;
      right.style.left = `${q * 100}%`;
      for (const [n, v] of /** @type {[any, number][]} */ ([
        [soft, (a + b) / 2],
        [left, a],
        [right, b],
      ])) {
        n.setAttribute("aria-valuenow", figure(v, 0.0001));
        n.setAttribute("aria-valuemin", figure(range[0], 0.0001));
        n.setAttribute("aria-valuemax", figure(range[1], 0.0001));
      }
    }
    return { node: bar, head, show };
  }

  const draw = perFrame(() => {
    const fit = histogram && fitCanvas(canvas);
    if (!fit || !item()) return;
    const { c, w, h: tall, dpr } = fit;
    const counts = histogram.counts[item().channel] ?? [];
    const [from, to] = item().channel === "saturation" ? [0, 1] : [histogram.low, histogram.high];
    const scale = item().space === "log" ? acescct : (/** @type {number} */ v) => v;
    const most = Math.log1p(
      counts.reduce((/** @type {number} */ m, /** @type {number} */ n) => Math.max(m, n), 1),
    );
    c.font = `${11 * dpr}px system-ui, sans-serif`;
    for (const v of ticks(range[0], range[1])) {
      c.fillStyle = "#303030";
      c.fillRect(toShare(v) * w, 0, dpr, tall);
      c.fillStyle = "#a5a5a5";
      c.fillText(figure(v, 0.01), toShare(v) * w + 4 * dpr, tall - 5 * dpr);
    }
    counts.forEach((/** @type {number} */ n, /** @type {number} */ i) => {
      const [a, b] = [i, i + 1].map((j) => toShare(scale(from + (j / counts.length) * (to - from))) * w);
      const taken = coverage(scale(from + ((i + 0.5) / counts.length) * (to - from)));
      const shade = Math.round(74 + 162 * taken);
      c.fillStyle = `rgb(${shade} ${shade} ${shade})`;
      const height = (Math.log1p(n) / most) * (tall - 22 * dpr);
      c.fillRect(a, tall - 18 * dpr - height, Math.max(dpr * 0.75, b - a), height);
    });
  });

  /** The band's matte for a value. @param {number} v */
  function coverage(v) {
    const ramp = (/** @type {number | null} */ a, /** @type {number | null} */ b) =>
      a === null || b === null ? null : b > a ? Math.min(1, Math.max(0, (v - a) / (b - a))) : Number(v >= b);
    const up = ramp(value("low_out"), value("low_in")) ?? 1;
    const down = ramp(value("high_in"), value("high_out")) ?? 0;
    return Math.min(up, 1 - down);
  }

  function refresh() {
    if (!item()) return;
    measureRange();
    strips.forEach((s) => s.show());
    draw();
  }
  const stop = wantScope("histogram", (scope) => {
    histogram = scope.histogram;
    refresh();
    if (!node.isConnected) stop();
  });
  new ResizeObserver(draw).observe(node);
  refresh();
  return {
    node,
    stop,
    tick: refresh,
    refresh: (/** @type {string[][] | undefined} */ changed) => {
      if (concerns(changed, path)) refresh();
    },
  };
}
