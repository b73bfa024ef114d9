// What the page knows: one object, and topics that tell who wants to hear of a change.

/** @typedef {import("./wire-types.js").State} State */
/** @typedef {import("./wire-types.js").WatchedShot} WatchedShot */
/** @typedef {import("./wire-types.js").MapPicture} MapPicture */

/**
 * A colour sampled on this page, and where.
 * @typedef {{sample: import("./wire-types.js").Sampled, box: import("./wire-types.js").Box}} Taken
 */

/**
 * Default items of lists, from the served schema.
 * @typedef {{
 *   extractors: Record<string, import("./wire-types.js").Extractor>,
 *   despill: import("./wire-types.js").DespillPass,
 *   shape: import("./wire-types.js").Shape,
 * }} Defaults
 */

/**
 * What only the page knows.
 * @typedef {object} Own
 * @property {"trying" | "on" | "gone"} link
 * @property {string} trouble sentence when the server is gone
 * @property {import("./wire-types.js").You} you
 * @property {Record<string, number>} timing
 * @property {Record<string, number>} store
 * @property {string} message
 * @property {number | null} latency ms, control moved to picture drawn
 * @property {Defaults} defaults
 * @property {number | null} shown frame of the picture on the screen, null before the first
 * @property {Taken[]} samples newest first
 * @property {string} step
 * @property {MapPicture | null} over a survey's map that lies over the picture
 * @property {boolean} follow
 */

/**
 * Shot, recipe, engine and colour are there from the server's `welcome` on; no part of the page is
 * built before it (`known` tells those who listen from the start).
 * @type {State & Own}
 */
export const state = /** @type {State & Own} */ (
  /** @type {unknown} */ ({
    link: "trying",
    trouble: "",
    you: { client: "", device: "", name: "", role: "reviewer" },
    revision: 0,
    undo: null,
    redo: null,
    playhead: {
      type: "playhead",
      frame: 0,
      playing: false,
      direction: 1,
      fps: 24,
      loop: "loop",
      first: 0,
      last: 0,
      dropped: 0,
      own: false,
    },
    ...{ people: [], devices: [], notes: [], cached: [], jobs: [], watched: [], following: [] },
    ...{ roots: [], views: [], samples: [] },
    timing: {},
    store: {},
    message: "",
    latency: null,
    shown: null,
    step: "extract",
    over: null,
    follow: true,
  })
);

/** Whether the server has said what there is: shot, recipe (with this page's own edits applied). */
export const known = () => state.recipe !== undefined;

/** @typedef {{clientX: number, clientY: number, pointerType: string}} Hover */

/**
 * Topics, and what comes with them.
 * @typedef {object} Topics
 * @property {undefined} link
 * @property {undefined} you
 * @property {undefined} ready
 * @property {string[][]} recipe paths that have changed
 * @property {undefined} shot
 * @property {undefined} playhead the service has moved it
 * @property {undefined} frame the picture on the screen is of another frame
 * @property {undefined} people
 * @property {undefined} devices
 * @property {undefined} notes
 * @property {undefined} cached
 * @property {undefined} jobs
 * @property {undefined} watched
 * @property {WatchedShot} newshot
 * @property {undefined} kept
 * @property {undefined} following
 * @property {import("./wire-types.js").Box | null} followregion
 * @property {undefined} over
 * @property {undefined} status
 * @property {number} latency ms
 * @property {undefined} history
 * @property {undefined} view
 * @property {{meta: import("./wire.js").Meta, ok: boolean}} picture
 * @property {undefined} placed
 * @property {import("./wire-types.js").Scope} scope
 * @property {undefined} samples
 * @property {undefined} step
 * @property {undefined} folds
 * @property {string} gostep
 * @property {undefined} tool
 * @property {Hover | null} hover
 */

/** @type {Map<string, Set<(data: Topics[keyof Topics]) => void>>} */
const listeners = new Map();

/**
 * Hear of a topic, or of several that bring nothing, separated by spaces.
 * @template {keyof Topics | (string & {})} T
 * @param {T} topics
 * @param {(data: T extends keyof Topics ? Topics[T] : undefined) => void} fn
 * @returns {() => void} stop hearing
 */
export function on(topics, fn) {
  const names = topics.split(" ");
  const heard = /** @type {(data: Topics[keyof Topics]) => void} */ (fn);
  for (const name of names) {
    if (!listeners.has(name)) listeners.set(name, new Set());
    listeners.get(name)?.add(heard);
  }
  return () => names.forEach((name) => listeners.get(name)?.delete(heard));
}

/**
 * @template {keyof Topics} T
 * @param {T} topic
 * @param {Topics[T] extends undefined ? [] : [Topics[T]]} data
 */
export function emit(topic, ...data) {
  for (const fn of [...(listeners.get(topic) ?? [])]) fn(/** @type {Topics[T]} */ (data[0]));
}

/**
 * The frame of the picture on the screen: it is numbered, noted, keyed and cut, never the one that
 * the service's clock has come to meanwhile.
 */
export const frameShown = () => state.shown ?? state.playhead.frame;

export const operator = () => state.you.role === "operator";

/**
 * Call `fn` at most once per animation frame, however often the returned function is called.
 * @param {() => void} fn
 */
export function perFrame(fn) {
  let waiting = false;
  return () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      fn();
    });
  };
}

/**
 * Call `fn` at once, then at most every `ms`, always with the last arguments.
 * @template {unknown[]} A
 * @param {number} ms
 * @param {(...args: A) => void} fn
 * @returns {(...args: A) => void}
 */
export function paced(ms, fn) {
  let last = -Infinity;
  let timer = 0;
  /** @type {A | null} */
  let args = null;
  const run = () => {
    timer = 0;
    last = performance.now();
    const now = /** @type {A} */ (args);
    args = null;
    fn(...now);
  };
  return (...given) => {
    args = given;
    if (timer) return;
    const wait = last + ms - performance.now();
    if (wait <= 0) run();
    else timer = setTimeout(run, wait);
  };
}
