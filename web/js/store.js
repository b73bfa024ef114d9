// What the page knows: one object, and topics that tell who wants to hear of a change.

/** @type {any} filled by the server's `welcome`, then kept up to date by its messages */
export const state = {
  link: "trying", // trying | on | gone
  trouble: "", // sentence when the server is gone
  you: { client: "", device: "", name: "", role: "reviewer" },
  revision: 0,
  recipe: null, // with this page's own edits already applied
  undo: null,
  redo: null,
  shot: null,
  engine: null,
  playhead: {
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
  people: [],
  devices: [],
  notes: [],
  cached: [],
  jobs: [],
  takes: [],
  following: [],
  colour: null,
  roots: [],
  views: [],
  timing: {},
  store: {},
  message: "",
  latency: null, // ms, control moved to picture drawn
  defaults: { extractors: {}, despill: {}, shape: {} },
  samples: [], // colours sampled on this page, newest first
  step: "extract",
  over: null, // a survey's map that lies over the picture
  follow: true,
};

/** @type {Map<string, Set<(data?: any) => void>>} */
const listeners = new Map();

/**
 * Hear of a topic. Topics: link ready recipe shot playhead people devices notes cached jobs takes
 * kept following over status latency history view picture placed scope samples step gostep tool.
 * @param {string} topics separated by spaces
 * @param {(data?: any) => void} fn
 * @returns {() => void} stop hearing
 */
export function on(topics, fn) {
  const names = topics.split(" ");
  for (const name of names) {
    if (!listeners.has(name)) listeners.set(name, new Set());
    listeners.get(name)?.add(fn);
  }
  return () => names.forEach((name) => listeners.get(name)?.delete(fn));
}

/** @param {string} topic @param {any} [data] */
export function emit(topic, data) {
  for (const fn of [...(listeners.get(topic) ?? [])]) fn(data);
}

export const operator = () => state.you.role === "operator";

/** Call `fn` at most once per animation frame, however often the returned function is called. @param {() => void} fn */
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

/** Call `fn` at once, then at most every `ms`, always with the last arguments. @template {any[]} A @param {number} ms @param {(...args: A) => void} fn @returns {(...args: A) => void} */
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
