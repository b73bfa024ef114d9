// Hands pictures to the painter: in a worker with OffscreenCanvas, else here.

import { Painter } from "./painter.js";

/** @import { Arrangement } from "./painter.js" */

/** @import { Meta } from "./wire.js" */

/**
 * @param {HTMLCanvasElement} canvas
 * @param {(meta: Meta, ok: boolean, shown: boolean) => void} ondrawn
 */
export function makePaint(canvas, ondrawn) {
  if (
    typeof OffscreenCanvas !== "undefined" &&
    "transferControlToOffscreen" in canvas &&
    !new URLSearchParams(location.search).has("noworker")
  ) {
    try {
      return inWorker(canvas, ondrawn);
    } catch {
      // fall through: a browser that has the parts but not module workers
    }
  }
  return here(canvas, ondrawn);
}

/** @param {HTMLCanvasElement} canvas @param {(meta: Meta, ok: boolean, shown: boolean) => void} ondrawn */
function inWorker(canvas, ondrawn) {
  const worker = new Worker(new URL("./paint-worker.js", import.meta.url), { type: "module" });
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

/** @param {HTMLCanvasElement} canvas @param {(meta: Meta, ok: boolean, shown: boolean) => void} ondrawn */
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
