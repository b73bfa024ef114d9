// The picture: where the frame lies in the stage, zoom and pan by mouse, touch and keys, pictures in.

import { byId } from "./dom.js";
import { drawn as editDrawn } from "./edits.js";
import { makePaint } from "./paint.js";
import { WIDTHS } from "./protocol.js";
import { emit, on, perFrame, state } from "./store.js";
import { frameView, keyOf, stopFollowing, view } from "./view.js";
import { receivePictures, send } from "./wire.js";

const MAX_SCALE = 48;

const box = byId("picture");
const canvas = /** @type {HTMLCanvasElement} */ (byId("canvas"));
export const pictureBox = box;

/** Centre in full-resolution pixels; scale: CSS pixels a full-resolution line; fit: whole frame. */
const port = { cx: 0, cy: 0, scale: 1, fit: true };
/** Size of the stage in CSS pixels. */
const size = { w: 1, h: 1 };

// Decoding may overtake: what came too late to be shown is acknowledged and says nothing of the picture.
const paint = makePaint(
  canvas,
  (meta, ok, shown) => {
    const latency = editDrawn(meta.revision);
    send({ type: "ack", sequence: meta.sequence, latency_ms: latency });
    if (!shown) return;
    if (ok && meta.port === 0 && state.shown !== meta.frame) {
      state.shown = meta.frame;
      emit("frame");
    }
    emit("picture", { meta, ok });
  },
  () => send({ type: "reset" }),
);
receivePictures((meta, bytes) => paint.picture({ ...meta, key: keyOf(meta.viewId, meta.port) }, bytes));

const aspect = () => state.recipe?.source.pixel_aspect ?? state.shot?.pixel_aspect ?? 1;
let arrangedAspect = 1;
const frameSize = () => (state.shot ? [state.shot.width, state.shot.height] : [1920, 1080]);

function fitScale() {
  const [w, h] = frameSize();
  return Math.min((size.w - 4) / (w * aspect()), (size.h - 4) / h);
}

/** Position in the stage (CSS pixels) of a place in the frame. @param {number} x @param {number} y */
export function toStage(x, y) {
  return [size.w / 2 + (x - port.cx) * port.scale * aspect(), size.h / 2 + (y - port.cy) * port.scale];
}

/** Place in the frame under a position of the stage. @param {number} px @param {number} py */
export function toFrame(px, py) {
  return [port.cx + (px - size.w / 2) / (port.scale * aspect()), port.cy + (py - size.h / 2) / port.scale];
}

/** Place in the frame under a pointer. @param {{clientX: number, clientY: number}} e */
export function underPointer(e) {
  const r = box.getBoundingClientRect();
  return toFrame(e.clientX - r.left, e.clientY - r.top);
}

/** @param {number} x @param {number} y */
export function insideFrame(x, y) {
  const [w, h] = frameSize();
  return x >= 0 && y >= 0 && x < w && y < h;
}

export const scaleNow = () => port.scale;
export const isFit = () => port.fit;

function settle() {
  const [w, h] = frameSize();
  if (port.fit) Object.assign(port, { scale: fitScale(), cx: w / 2, cy: h / 2 });
  else if (port.scale < fitScale()) Object.assign(port, { cx: w / 2, cy: h / 2 });
  port.cx = Math.min(w, Math.max(0, port.cx));
  port.cy = Math.min(h, Math.max(0, port.cy));
}

const arrange = perFrame(() => {
  settle();
  const dpr = devicePixelRatio;
  const [x, y] = toStage(0, 0);
  arrangedAspect = aspect();
  paint.arrange({
    place: { x: x * dpr, y: y * dpr, sx: port.scale * aspect() * dpr, sy: port.scale * dpr },
    frame: frameSize(),
    wipe: { ...view.wipe },
  });
  ask();
  emit("placed");
});

/** Ask the server for the visible part at the size it is seen. */
function ask() {
  const [w, h] = frameSize();
  const [x0, y0] = toFrame(0, 0);
  const [x1, y1] = toFrame(size.w, size.h);
  /** @type {import("./wire-types.js").Box} */
  const region = [
    Math.max(0, Math.floor(x0)),
    Math.max(0, Math.floor(y0)),
    Math.min(w, Math.ceil(x1)),
    Math.min(h, Math.ceil(y1)),
  ];
  const whole = port.fit || (region[0] === 0 && region[1] === 0 && region[2] === w && region[3] === h);
  const seen = (whole ? w : region[2] - region[0]) * port.scale * aspect() * devicePixelRatio;
  const width = WIDTHS.find((x) => x >= seen) ?? WIDTHS[WIDTHS.length - 1];
  if (!whole && (region[2] <= region[0] || region[3] <= region[1])) return;
  frameView(whole ? null : region, width);
}

/** Smallest scale: the whole frame, or single pixels where a small frame is shown larger. */
const leastScale = () => Math.min(fitScale(), 1 / devicePixelRatio);

/**
 * Zoom about a position of the stage; what lies there comes to lie at (tx, ty).
 * @param {number} factor @param {number} [px] @param {number} [py] @param {number} [tx] @param {number} [ty]
 */
export function zoomBy(factor, px = size.w / 2, py = size.h / 2, tx = px, ty = py) {
  const [fx, fy] = toFrame(px, py);
  const scale = Math.min(MAX_SCALE, Math.max(leastScale(), port.scale * factor));
  const fit = factor < 1 && Math.abs(scale / fitScale() - 1) < 0.02;
  Object.assign(port, {
    scale,
    fit,
    cx: fx - (tx - size.w / 2) / (scale * aspect()),
    cy: fy - (ty - size.h / 2) / scale,
  });
  stopFollowing();
  arrange();
}

/** One full-resolution pixel on `times` device pixels. @param {number} [times] */
export const zoomToPixels = (times = 1) => zoomBy(times / devicePixelRatio / port.scale);

export function zoomToFit() {
  port.fit = true;
  arrange();
}

/** @param {number} dx @param {number} dy CSS pixels */
export function panBy(dx, dy) {
  if (port.fit) return;
  port.cx -= dx / (port.scale * aspect());
  port.cy -= dy / port.scale;
  stopFollowing();
  arrange();
}

/** Follow the operator's part of the picture. @param {number[] | null} region */
function showRegion(region) {
  if (!region) return zoomToFit();
  const [x0, y0, x1, y1] = region;
  const scale = Math.min(size.w / ((x1 - x0) * aspect()), size.h / (y1 - y0));
  Object.assign(port, { scale, fit: false, cx: (x0 + x1) / 2, cy: (y0 + y1) / 2 });
  arrange();
}

const measure = () => {
  const r = box.getBoundingClientRect();
  Object.assign(size, { w: Math.max(1, r.width), h: Math.max(1, r.height) });
  paint.resize(Math.round(size.w * devicePixelRatio), Math.round(size.h * devicePixelRatio));
  arrange();
};
new ResizeObserver(measure).observe(box);
on("shot ready", () => {
  port.fit = true;
  arrange();
});
on("view", arrange);
on("recipe", () => {
  if (aspect() !== arrangedAspect) arrange();
});
on("followregion", showRegion);
document.addEventListener("visibilitychange", () => {
  send({ type: "hidden", hidden: document.hidden });
  if (!document.hidden) arrange();
});
