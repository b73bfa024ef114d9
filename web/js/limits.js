// Limits that the server sets and the page keeps to, so that nothing is written in vain. A test
// compares them with the models'.

/** Characters of a label in the history of changes. */
export const LABEL_LENGTH = 80;
/** Characters of a note. */
export const NOTE_LENGTH = 2000;
/** Characters of a recipe's or a person's name. */
export const NAME_LENGTH = 60;
/** Points of a curve over hue. */
export const CURVE_POINTS = 24;
/**
 * Values of a curve over hue that can be drawn.
 * @type {Record<"spill_by_hue" | "saturation_by_hue", [number, number]>}
 */
export const CURVE_RANGE = { spill_by_hue: [0, 1], saturation_by_hue: [0, 2] };
/** Gain and gamma of the stress view. */
export const STRESS_MOST = { gain: 1000, gamma: 20 };
/** The server says something every second; a connection silent for longer than this is lost. A busy
 * server may take a little longer to say welcome. */
export const SILENT_MS = { on: 8000, off: 12000 };
