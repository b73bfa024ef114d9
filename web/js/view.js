// What this page shows: view, extractor, stress, wipe, part of the picture. Tells the server.

import { emit, on, paced, perFrame, state } from "./store.js";
import { receive, send } from "./wire.js";

/** @import { Box, Channel, Show, StressRequest, ViewInfo, ViewName, Wipe } from "./wire-types.js" */

/**
 * A view's row of the served table; by its name alone before the table is there.
 * @param {string} name
 * @returns {ViewInfo}
 */
export const viewInfo = (name) =>
  state.views.find((row) => row.name === name) ?? {
    ...{ name: /** @type {ViewName} */ (name), title: name, help: "" },
    ...{ signal: true, marks: [], scale: "" },
  };

/**
 * The wipe, and what is on its other side.
 * @typedef {Wipe & {on: boolean, name: ViewName, extractor: string}} WipeView
 */
/** @type {StressRequest} */
const UNSTRESSED = { preset: "off", gain: 8, gamma: 1 };

/** What is shown: port 0, and for a wipe port 1. */
export const view = {
  name: /** @type {ViewName} */ ("composite"),
  extractor: "",
  channel: /** @type {Channel} */ ("colour"),
  stress: /** @type {StressRequest} */ ({ preset: "off", gain: 8, gamma: 1 }),
  wipe: /** @type {WipeView} */ ({ on: false, edge: "vertical", at: 0.5, name: "plate", extractor: "" }),
  compare: false, // the plate is shown while a button is held
  region: /** @type {Box | null} */ (null),
  width: 960,
};

let viewId = 0;
/**
 * What a view id stood for on each port, so that a late picture is labelled right.
 * @type {Map<number, string[]>}
 */
const meaning = new Map();
let sentPort1 = false;

/** Whether there is something to show: a denoised pass may be missing. @param {string} name */
export const canShow = (name) => name !== "denoised" || Boolean(state.recipe?.source.denoised_path);

/** The matte is the only view that can be stressed. @param {string} name */
export const canStress = (name) => name === "matte";

/** Words for a view. @param {string} name @param {string} [extractor] */
export function viewTitle(name, extractor = "") {
  const { title } = viewInfo(name);
  if (!extractor) return title;
  const item = state.recipe?.extractors.find((e) => e.id === extractor);
  return `${item?.name ?? "Extractor"} (${title.toLowerCase()})`;
}

/** @param {0 | 1} port @returns {Show} */
function request(port) {
  const second = port === 1;
  const compare = view.compare && !second;
  const name = compare ? "plate" : second ? view.wipe.name : view.name;
  const extractor = compare ? "" : second ? view.wipe.extractor : view.extractor;
  const stress = canStress(name) && !compare ? view.stress : UNSTRESSED;
  return {
    type: "show",
    port,
    view_id: viewId,
    name,
    extractor,
    channel: view.channel,
    stress,
    region: view.region,
    width: Math.max(1, Math.round(view.width)),
    wipe: view.wipe.on ? { edge: view.wipe.edge, at: view.wipe.at } : null,
  };
}

/** @param {Show} show */
const keyFor = (show) => JSON.stringify([show.name, show.extractor, show.stress, show.channel]);
/** The key of what is wanted now; a picture with it shows this view. */
export const wantedKey = (/** @type {0 | 1} */ port = 0) => keyFor(request(port));

/**
 * What a port would look like, as a key: pictures with the same key belong together.
 * @param {number} id
 * @param {number} port
 */
export const keyOf = (id, port) => meaning.get(id)?.[port] ?? "";

const tell = paced(33, () => {
  if (state.link !== "on") return;
  viewId = (viewId + 1) & 0xffff;
  const zero = request(0);
  meaning.set(viewId, [keyFor(zero), wantedKey(1)]);
  meaning.delete((viewId - 400) & 0xffff);
  send(zero);
  if (view.wipe.on) send(request(1));
  else if (sentPort1) send({ type: "unshow", port: 1 });
  sentPort1 = view.wipe.on;
});

/**
 * Change what is shown.
 * @param {Partial<typeof view>} what
 * @param {{own?: boolean}} [how] own: the person did it, so a reviewer stops following
 */
export function look(what, { own = true } = {}) {
  Object.assign(view, what);
  if (own) stopFollowing();
  emit("view");
  tell();
}

/** @type {Set<string>} who needs the camera's picture just now */
const needPlate = new Set();
/** @type {{name: ViewName, extractor: string} | null} */
let before = null;
/**
 * Show the plate for as long as somebody needs it, then what was shown before.
 * @param {string} who
 * @param {boolean} need
 */
export function plateFor(who, need) {
  if (need) needPlate.add(who);
  else needPlate.delete(who);
  if (needPlate.size && !before && view.name !== "plate") {
    before = { name: view.name, extractor: view.extractor };
    look({ name: "plate", extractor: "" });
  } else if (!needPlate.size && before) {
    if (view.name === "plate") look(before);
    before = null;
  }
}

/** Show a view. @param {ViewName} name @param {string} [extractor] */
export const showView = (name, extractor = "") => look({ name, extractor });

/**
 * The part and size only: no new meaning, no stop of following.
 * @param {Box | null} region
 * @param {number} width
 */
export function frameView(region, width) {
  if (String(region) === String(view.region) && width === view.width) return;
  Object.assign(view, { region, width });
  tell();
}

export function stopFollowing() {
  if (state.you.role !== "reviewer" || !state.follow) return;
  state.follow = false;
  send({ type: "follow", on: false });
  emit("following");
}

export function startFollowing() {
  state.follow = true;
  send({ type: "follow", on: true });
  emit("following");
}

/** @param {Show[]} ports */
function adoptPorts(ports) {
  state.following = ports;
  const [zero, one] = [ports.find((p) => p.port === 0), ports.find((p) => p.port === 1)];
  if (state.you.role === "reviewer" && state.follow && zero) {
    const wipe =
      zero.wipe && one
        ? { on: true, ...zero.wipe, name: one.name, extractor: one.extractor }
        : { ...view.wipe, on: false };
    look(
      { name: zero.name, extractor: zero.extractor, channel: zero.channel, stress: zero.stress, wipe },
      { own: false },
    );
    emit("followregion", zero.region);
  }
  emit("following");
}

receive("following", (m) => adoptPorts(m.ports));
on("ready", () => {
  sentPort1 = false;
  if (document.hidden) send({ type: "hidden", hidden: true });
  if (!state.follow && state.you.role === "reviewer") send({ type: "follow", on: false });
  adoptPorts(state.following);
  if (!state.views.some((row) => row.name === view.name)) view.name = "plate";
  emit("view");
  tell();
});
// A view of what is no longer there falls back: an extractor's to the cumulative matte, the denoised
// pass to the plate.
on(
  "recipe",
  perFrame(() => {
    if (!canShow(view.name)) look({ name: "plate" }, { own: false });
    if (!canShow(view.wipe.name)) look({ wipe: { ...view.wipe, name: "plate" } }, { own: false });
    const known = (/** @type {string} */ id) => !id || state.recipe.extractors.some((e) => e.id === id);
    if (!known(view.extractor)) look({ extractor: "" }, { own: false });
    if (!known(view.wipe.extractor)) look({ wipe: { ...view.wipe, extractor: "" } }, { own: false });
  }),
);
