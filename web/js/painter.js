// Draws decoded pictures on a canvas: whole frame, sharper part over it, and the wipe between two
// ports. Runs in the paint worker, or on the page where there is no OffscreenCanvas.

/** @typedef {{bitmap: ImageBitmap, region: number[], sequence: number, key: string}} Layer */
/**
 * Device pixels of full-resolution pixel (0, 0), and per pixel.
 * @typedef {{x: number, y: number, sx: number, sy: number}} Placing
 */
/** @typedef {{on: boolean, edge: "vertical" | "horizontal", at: number}} WipeEdge */
/**
 * Where the frame lies, how large it is, and the wipe.
 * @typedef {{place?: Placing, frame?: number[], wipe?: WipeEdge}} Arrangement
 */

export class Painter {
  /** @param {HTMLCanvasElement | OffscreenCanvas} canvas */
  constructor(canvas) {
    this.canvas = canvas;
    const context = canvas.getContext("2d", { alpha: false, desynchronized: true });
    this.context = /** @type {CanvasRenderingContext2D | OffscreenCanvasRenderingContext2D} */ (context);
    /** @type {Placing} */
    this.place = { x: 0, y: 0, sx: 1, sy: 1 };
    this.frame = [0, 0];
    /** @type {WipeEdge} */
    this.wipe = { on: false, edge: "vertical", at: 0.5 };
    /** @type {{whole: Layer | null, part: Layer | null}[]} */
    this.ports = [
      { whole: null, part: null },
      { whole: null, part: null },
    ];
    this.surround = "#191919";
  }

  /** @param {number} width @param {number} height */
  resize(width, height) {
    this.canvas.width = width;
    this.canvas.height = height;
    this.draw();
  }

  /** @param {Arrangement} what */
  arrange(what) {
    Object.assign(this, what);
    if (!this.wipe.on) this.clear(1);
    this.draw();
  }

  /**
   * Take a picture; one that is older than what is shown is dropped, and false is returned.
   * @param {import("./wire.js").Meta} meta
   * @param {ImageBitmap} bitmap
   */
  take(meta, bitmap) {
    const port = this.ports[meta.port];
    const [x0, y0, x1, y1] = meta.region;
    const isWhole = x0 <= 0 && y0 <= 0 && x1 >= this.frame[0] && y1 >= this.frame[1];
    const slot = isWhole ? "whole" : "part";
    if ((port[slot]?.sequence ?? -1) > meta.sequence) {
      bitmap.close();
      return false;
    }
    port[slot]?.bitmap.close();
    port[slot] = { bitmap, region: meta.region, sequence: meta.sequence, key: meta.key };
    this.draw();
    return true;
  }

  /** @param {number} index */
  clear(index) {
    const port = this.ports[index];
    port.whole?.bitmap.close();
    port.part?.bitmap.close();
    port.whole = port.part = null;
  }

  draw() {
    const { context: c, canvas } = this;
    c.setTransform(1, 0, 0, 1, 0, 0);
    c.fillStyle = this.surround;
    c.fillRect(0, 0, canvas.width, canvas.height);
    this.drawPort(0);
    if (!this.wipe.on || (!this.ports[1].whole && !this.ports[1].part)) return;
    const { x, y, sx, sy } = this.place;
    const [w, h] = this.frame;
    c.save();
    c.beginPath();
    if (this.wipe.edge === "vertical")
      c.rect(x + w * sx * this.wipe.at, y, w * sx * (1 - this.wipe.at), h * sy);
    else c.rect(x, y + h * sy * this.wipe.at, w * sx, h * sy * (1 - this.wipe.at));
    c.clip();
    this.drawPort(1);
    c.restore();
  }

  /** @param {number} index */
  drawPort(index) {
    const { whole, part } = this.ports[index];
    if (whole && (!part || whole.key === part.key || whole.sequence > part.sequence)) this.drawLayer(whole);
    if (part && (!whole || part.sequence > whole.sequence)) this.drawLayer(part);
  }

  /** @param {Layer} layer */
  drawLayer({ bitmap, region: [x0, y0, x1, y1] }) {
    const { context: c, place } = this;
    const left = Math.round(place.x + x0 * place.sx);
    const top = Math.round(place.y + y0 * place.sy);
    const width = Math.round(place.x + x1 * place.sx) - left;
    const height = Math.round(place.y + y1 * place.sy) - top;
    const fullSize = bitmap.width >= x1 - x0;
    c.imageSmoothingEnabled = !(fullSize && width > bitmap.width);
    c.imageSmoothingQuality = "high";
    c.drawImage(bitmap, left, top, width, height);
  }
}
