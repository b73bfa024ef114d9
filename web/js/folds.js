// What is folded away beside the picture: tools, steps, scopes. Each folds by a handle and by a key,
// and stays as it was left. Who only looks on begins with the picture, the frames and the notes.

import { byId, button, icon } from "./dom.js";
import { emit, on, operator, state } from "./store.js";

/** @typedef {"tools" | "steps" | "scopes"} Part */

const PARTS = /** @type {const} */ (["tools", "steps", "scopes"]);
/** @type {Record<Part, string>} */
const TITLES = { tools: "Tools", steps: "Steps", scopes: "Scopes" };
/** Where an open part keeps its handle; a folded one's lies at the edge of the picture. */
const HOMES = { tools: byId("tools"), steps: byId("steps"), scopes: byId("line") };
/** Narrower than this, steps begin folded: both do not fit well. */
const NARROW_PX = 760;
/** And below this the tools too: fingers do most of their work. */
const TINY_PX = 480;

const app = byId("app");
const stage = byId("stage");
/** What was open before the picture was left alone. @type {Part[]} */
let before = [];

/** @param {Part} part */
export const isOpen = (part) => app.dataset[part] === "open";

const storeName = () => `folds-${state.you.role}`;

/** As it was left, else as the role begins. @returns {Record<Part, boolean>} */
function remembered() {
  const wide = innerWidth >= NARROW_PX || innerHeight > innerWidth;
  const start = { tools: operator() && innerWidth >= TINY_PX, steps: operator() && wide, scopes: false };
  try {
    return { ...start, ...JSON.parse(localStorage.getItem(storeName()) ?? "{}") };
  } catch {
    return start; // what is kept there is not ours
  }
}

/** Fold a part away or back. @param {Part} part @param {boolean} [open] */
export function fold(part, open = !isOpen(part)) {
  put(part, open);
  localStorage.setItem(storeName(), JSON.stringify(Object.fromEntries(PARTS.map((p) => [p, isOpen(p)]))));
  emit("folds");
}

/** Leave the picture alone, or bring back what was there before. */
export function pictureAlone() {
  const open = PARTS.filter(isOpen);
  /** @type {Part[]} */
  const first = ["tools", "steps"];
  const wanted = open.length ? [] : before.length ? before : first;
  if (open.length) before = open;
  for (const part of PARTS) fold(part, wanted.includes(part));
}

/** The whole screen for the page, or no longer. */
export const fullScreen = () =>
  document.fullscreenElement ? document.exitFullscreen() : document.documentElement.requestFullscreen();

/** @type {Record<Part, HTMLButtonElement>} */
const handles = { tools: handle("tools"), steps: handle("steps"), scopes: handle("scopes") };

/** @param {Part} part */
function handle(part) {
  const node = button({ label: TITLES[part], class: `flat fold ${part}`, onclick: () => fold(part) });
  if (part === "scopes") node.append(icon("scopes"));
  else node.append(icon("chevron"));
  return node;
}

/** Upright windows have steps and scopes below the picture, and their handles on the line there. */
const upright = matchMedia("(max-aspect-ratio: 1/1)");

/** @param {Part} part @param {boolean} open */
function homeOf(part, open) {
  if (part === "scopes" || (part === "steps" && upright.matches)) return HOMES.scopes;
  return open ? HOMES[part] : stage;
}

/** @param {Part} part @param {boolean} open */
function put(part, open) {
  const node = handles[part];
  const had = document.activeElement === node;
  app.dataset[part] = open ? "open" : "closed";
  const home = homeOf(part, open);
  if (node.parentElement !== home) home.append(node);
  node.setAttribute("aria-expanded", String(open));
  node.title = `${open ? "Fold away" : "Unfold"}: ${TITLES[part].toLowerCase()}`;
  if (had) node.focus();
}

const alone = button({ label: "Picture alone", icon: "alone", class: "flat", onclick: pictureAlone });
const full = button({ label: "Full screen", icon: "full", class: "flat", onclick: fullScreen });
full.hidden = !document.fullscreenEnabled;
byId("folds").append(alone, full);

function showTop() {
  alone.setAttribute("aria-pressed", String(!PARTS.some(isOpen)));
  full.setAttribute("aria-pressed", String(document.fullscreenElement !== null));
}
document.addEventListener("fullscreenchange", showTop);
document.querySelector(".skip")?.addEventListener("click", () => fold("steps", true));
on("folds", showTop);
upright.addEventListener("change", () => PARTS.forEach((part) => put(part, isOpen(part))));
on("you", () => {
  const open = remembered();
  for (const part of PARTS) put(part, open[part]);
  emit("folds");
});
