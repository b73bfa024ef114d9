// Decodes pictures and draws them away from the page's own thread.

import { Painter } from "./painter.js";

/** @type {Painter | null} */
let painter = null;

self.addEventListener("message", async ({ data }) => {
  if (data.canvas) painter = new Painter(data.canvas);
  if (!painter) return;
  if (data.size) painter.resize(data.size[0], data.size[1]);
  if (data.arrange) painter.arrange(data.arrange);
  if (data.picture) {
    const { meta, bytes } = data;
    let [ok, shown] = [true, true];
    try {
      shown = painter.take(meta, await createImageBitmap(new Blob([bytes], { type: meta.mime })));
    } catch {
      ok = false;
    }
    self.postMessage({ drawn: meta, ok, shown });
  }
});
