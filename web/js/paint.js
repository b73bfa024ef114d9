// Hands pictures to the painter: in a worker with OffscreenCanvas, else here. A worker that cannot be
// loaded, or that fails, is left for a painter on the page with a canvas of its own.

import { Painter } from "./painter.js";

/** @import { Arrangement } from "./painter.js" */

/** @import { Meta } from "./wire.js" */

/**
 * @param {HTMLCanvasElement} canvas
 * @param {(meta: Meta, ok: boolean, shown: boolean) => void} ondrawn
 * @param {() => void} onlost pictures that were on the way are lost: ask for them again
 * @returns {Paint}
 */
export function makePaint(canvas, ondrawn, onlost) {
  if (
    typeof OffscreenCanvas === "undefined" ||
    !("transferControlToOffscreen" in canvas) ||
    new URLSearchParams(location.search).has("noworker")
  )
    return here(canvas, ondrawn);
  /** @type {Paint} */
  let paint;
  /** @type {Arrangement} */
  const arranged = {};
  let size = [1, 1];
  const toPage = () => {
    const fresh = /** @type {HTMLCanvasElement} */ (canvas.cloneNode());
    canvas.replaceWith(fresh); // whose drawing was given to a worker cannot be drawn on here
    paint = here(fresh, ondrawn);
    paint.resize(size[0], size[1]);
    paint.arrange(arranged);
    onlost();
  };
  try {
    paint = inWorker(canvas, ondrawn, toPage);
  } catch {
    toPage(); // a browser that has the parts but not module workers
  }
  return {
    /** @param {Meta} meta @param {Uint8Array<ArrayBuffer>} bytes */
    picture: (meta, bytes) => paint.picture(meta, bytes),
    /** @param {Arrangement} what */
    arrange: (what) => paint.arrange(Object.assign(arranged, what)),
    /** @param {number} w @param {number} h */
    resize(w, h) {
      size = [w, h];
      paint.resize(w, h);
    },
  };
}

/**
 * @typedef {object} Paint
 * @property {(meta: Meta, bytes: Uint8Array<ArrayBuffer>) => void} picture
 * @property {(what: Arrangement) => void} arrange
 * @property {(w: number, h: number) => void} resize
 */

/**
 * @param {HTMLCanvasElement} canvas
 * @param {(meta: Meta, ok: boolean, shown: boolean) => void} ondrawn
 * @param {() => void} onfailure
 * @returns {Paint}
 */
function inWorker(canvas, ondrawn, onfailure) {
  const worker = new Worker(new URL("./paint-worker.js", import.meta.url), { type: "module" });
  worker.addEventListener("error", (event) => {
    event.preventDefault();
    worker.terminate();
    onfailure();
  });
  const surface = canvas.transferControlToOffscreen();
  worker.postMessage({ canvas: surface }, [surface]);
  worker.addEventListener("message", ({ data }) => ondrawn(data.drawn, data.ok, data.shown));
  canvas.dataset.painter = "worker";
  return {
    /** @param {Meta} meta @param {Uint8Array<ArrayBuffer>} bytes */
    picture(meta, bytes) {
      // The bytes are a view of the whole message: transferring it costs no copy.
      worker.postMessage({ picture: true, meta, bytes }, [bytes.buffer]);
    },
    /** @param {Arrangement} what */
    arrange: (what) => worker.postMessage({ arrange: what }),
    /** @param {number} w @param {number} h */
    resize: (w, h) => worker.postMessage({ size: [w, h] }),
  };
}

/**
 * @param {HTMLCanvasElement} canvas
 * @param {(meta: Meta, ok: boolean, shown: boolean) => void} ondrawn
 * @returns {Paint}
 */
function here(canvas, ondrawn) {
  const painter = new Painter(canvas);
  canvas.dataset.painter = "page";
  return {
    /** @param {Meta} meta @param {Uint8Array<ArrayBuffer>} bytes */
    async picture(meta, bytes) {
      let [ok, shown] = [true, true];
      try {
        shown = painter.take(meta, await createImageBitmap(new Blob([bytes], { type: meta.mime })));
      } catch {
        ok = false;
      }
      ondrawn(meta, ok, shown);
    },
    /** @param {Arrangement} what */
    arrange: (what) => painter.arrange(what),
    /** @param {number} w @param {number} h */
    resize: (w, h) => painter.resize(w, h),
  };
}
