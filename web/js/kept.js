// The kept takes: a day's list, fetched anew whenever the server says that the log has changed.

import { emit, on, state } from "./store.js";
import { ask, receive } from "./wire.js";

/** @import { KeptTake, TakeMeasure, WholeTake } from "./wire-types.js" */

export const kept = {
  loaded: false,
  trouble: "", // why there is no list
  chosen: "", // the day that was picked; empty: the newest
  day: "",
  here: /** @type {number | null} */ (null), // the newest take of the shot that is open
  days: /** @type {string[]} */ ([]),
  takes: /** @type {KeptTake[]} */ ([]),
  left_out: "", // what to tell of damaged takes, which are not in the list
  measures: /** @type {TakeMeasure[]} */ ([]),
};

/** @param {string} address */
async function fetched(address) {
  const answer = await fetch(address);
  const body = await answer.json();
  if (!answer.ok) throw new Error(body.error ?? "The server did not answer as it should.");
  return body;
}

let asked = 0;
/** Fetch the list of the picked day. */
export async function fetchKept() {
  const mine = ++asked;
  try {
    const day = await fetched(`/api/takes?day=${kept.chosen}`);
    if (mine !== asked) return;
    if (kept.chosen && !day.days.includes(kept.chosen)) kept.chosen = "";
    Object.assign(kept, day, { loaded: true, trouble: "" });
  } catch (error) {
    if (mine !== asked) return;
    kept.trouble = /** @type {Error} */ (error).message;
  }
  emit("kept");
}

/** Show another day. @param {string} day */
export function pickDay(day) {
  kept.chosen = day === kept.days[0] ? "" : day;
  return fetchKept();
}

/** Everything a take's survey found. @param {number} take @returns {Promise<WholeTake>} */
export const wholeTake = (take) => fetched(`/api/takes/${take}`);

/** @param {KeptTake} take */
export const thumbnailOf = (take) => `/api/takes/${take.id}/thumbnail?at=${encodeURIComponent(take.at)}`;

/**
 * Keep a note, unless somebody changed the one that was `seen`.
 * @param {number} take
 * @param {string} text
 * @param {string} [seen]
 */
export const keepNote = (take, text, seen) => ask({ type: "take_note", take, text, seen });

receive("kept", fetchKept);
let verdicts = "";
// A take that was surveyed elsewhere: the watched folder's list tells of its verdict.
on("watched", () => {
  const now = state.watched
    .map((t) => `${t.shot} ${t.verdict}`)
    .sort()
    .join();
  if (now !== verdicts && kept.loaded) fetchKept();
  verdicts = now;
});
on("ready", () => state.link === "on" && fetchKept());
