// What the colours of a measuring view or a map mean, in the line under the picture, where it hides
// nothing. The colour line and the palette are the engines' own
// (`kernels/reference/view.py`, `display.py`); a test compares them.

import { h } from "./dom.js";
import { on, perFrame, state } from "./store.js";
import { view, viewInfo } from "./view.js";

/** Ends of the false-colour line in CIE L*a*b* (D65). */
export const LINE = [
  [16, 24, -45],
  [92, -13, 74],
];
/** Okabe & Ito 2008, sRGB code values. */
export const PALETTE = [
  [230, 159, 0],
  [86, 180, 233],
  [0, 158, 115],
  [240, 228, 66],
  [0, 114, 178],
  [213, 94, 0],
  [204, 121, 167],
];
/**
 * sRGB code values of L*a*b*, D65. Source: CIE 15, IEC 61966-2-1.
 * @param {number[]} lab
 * @returns {number[]}
 */
export function srgbOfLab([l, a, b]) {
  const fy = (l + 16) / 116;
  const [x, y, z] = [fy + a / 500, fy, fy - b / 200].map(
    (f, i) => [0.95047, 1, 1.08883][i] * (f > 6 / 29 ? f ** 3 : 3 * (6 / 29) ** 2 * (f - 4 / 29)),
  );
  return [
    3.2406 * x - 1.5372 * y - 0.4986 * z,
    -0.9689 * x + 1.8758 * y + 0.0415 * z,
    0.0557 * x - 0.204 * y + 1.057 * z,
  ].map((v) =>
    Math.round(255 * Math.min(1, Math.max(0, v <= 0.0031308 ? 12.92 * v : 1.055 * v ** (1 / 2.4) - 0.055))),
  );
}

const steps = Array.from(
  { length: 17 },
  (_, i) => `rgb(${srgbOfLab(LINE[0].map((v, k) => v + (LINE[1][k] - v) * (i / 16))).join(" ")})`,
);
/** The colours of the scale, from low to high. */
export function ramp() {
  const bar = h("div", { class: "ramp" });
  bar.style.background = `linear-gradient(to right, ${steps.join(", ")})`;
  return bar;
}
/** The colours with numbers under them, at even distances. @param {string[]} marks */
const rule = (marks) =>
  h(
    "div",
    { class: "rule" },
    ramp(),
    h(
      "div",
      { class: "marks" },
      ...marks.map((text, i) => {
        const mark = h("span", { text });
        mark.style.left = `${(100 * i) / (marks.length - 1)}%`;
        return mark;
      }),
    ),
  );
const node = h("div", { class: "legend", hidden: true });
document.getElementById("line")?.prepend(node);

/** A map's scale with five numbers; shares are shown in percent. @param {import("./wire-types.js").MapPicture} map */
export function scaleOf(map) {
  const share = map.unit.startsWith("of ");
  const unit = share ? `% ${map.unit}` : map.unit;
  const number = (/** @type {number} */ v) =>
    `${map.low < 0 && v > 0 ? "+" : ""}${Number((share ? 100 * v : v).toPrecision(3))}`.replace(
      "-",
      "\u2212",
    );
  const marks = [0, 1, 2, 3, 4].map((i) => number(map.low + ((map.high - map.low) * i) / 4));
  return scale(
    `${map.title}, in ${unit}`,
    marks,
    `${map.title}: scale from ${marks[0]} to ${marks[4]} ${unit}`,
  );
}

/** @param {string} title @param {string[]} marks @param {string} said */
const scale = (title, marks, said) =>
  h(
    "div",
    { class: "scale", role: "img", "aria-label": said },
    h("span", { class: "title", text: title, title }),
    rule(marks),
  );

/** Which extractor has which colour. @param {import("./wire-types.js").Extractor[]} taking */
const deciders = (taking) => [
  h("span", { class: "title", text: "Matte decided by" }),
  ...taking.map((e, i) => {
    const patch = h("span", { class: "patch" });
    patch.style.background = `rgb(${PALETTE[i % PALETTE.length].join(" ")})`;
    return h("span", { class: "row", title: e.name }, patch, h("span", { class: "name", text: e.name }));
  }),
  h(
    "span",
    { class: "row" },
    h("span", { class: "patch none" }),
    h("span", { class: "name", text: taking.length ? "none of them" : "no extractor takes part" }),
  ),
];

/** The explanation of what is seen; nothing for a plain picture. @returns {HTMLElement[]} */
function explanation() {
  if (state.over) return [scaleOf(state.over)];
  const noise = state.recipe?.screen.noise;
  if (view.name === "alpha_noise" && noise && [...noise.gain, ...noise.offset].every((v) => v === 0)) {
    return [
      h("span", {
        class: "title",
        text: "No noise is measured yet: a starting recipe measures it (prepare step).",
      }),
    ];
  }
  const unmixed = state.recipe?.extractors.some((e) => e.on && e.kind === "unmix");
  if (view.name === "alpha_error" && !unmixed)
    return [h("span", { class: "title", text: "No unmix extractor takes part: only it tells its error." })];
  const { marks, scale: title } = viewInfo(view.name);
  if (marks.length)
    return [scale(title, marks, `${title}: scale from ${marks[0]} to ${marks[marks.length - 1]}`)];
  return view.name === "deciding" ? deciders((state.recipe?.extractors ?? []).filter((e) => e.on)) : [];
}

const show = perFrame(() => {
  const now = view.compare ? [] : explanation();
  node.hidden = !now.length;
  node.replaceChildren(...now);
});
on("view recipe ready over", show);
