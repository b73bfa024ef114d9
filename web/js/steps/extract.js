// Extract: the list of extractors, their settings, what is sampled, the cumulative matte's refinement.

import { button, block, h, icon } from "../dom.js";
import { change, setOp } from "../edits.js";
import { form, summary } from "../form.js";
import { at } from "../keys.js";
import { copy, figure, getAt, newId, words } from "../paths.js";
import { extractorKinds, fieldsOf } from "../schema.js";
import { frameShown, on, operator, state } from "../store.js";
import { showView, view } from "../view.js";
import { sayError } from "../notice.js";
import { ask } from "../wire.js";
import { valueBand } from "../band.js";
import { cardList } from "./cards.js";
import { sampleCards, together } from "./common.js";

/** @import { Extractor } from "../wire-types.js" */

const COMMON = ["name", "role", "combine", "strength", "inverted", "key_from", "on"];
const BAND_ENDS = ["low_out", "low_in", "high_in", "high_out"];

/** What was before "only this one", to go back to. @type {Map<string, boolean> | null} */
let beforeOnly = null;

export function extractStep() {
  const kinds = extractorKinds();
  const modelOfKind = new Map(kinds.map(([kind, model]) => [kind, model]));
  const list = cardList({
    path: ["extractors"],
    what: "Extractor",
    openKey: "extractors",
    title: (/** @type {Extractor} */ item) => item.name,
    sub: (item) =>
      [
        words(item.kind),
        `${item.role}, ${combinedAs(item)}`,
        at(item.strength, frameShown()) !== 1
          ? `strength ${figure(Number(at(item.strength, frameShown())), 0.01)}`
          : "",
      ]
        .filter(Boolean)
        .join(" · "),
    body: (item, path) => extractorBody(item, path, String(modelOfKind.get(item.kind))),
    extra: (item) => [ownMatte(item), operator() ? only(item) : null].filter(Boolean),
  });
  const empty = h("p", {
    class: "help",
    text: "No extractor yet: alpha is 1 everywhere. Add one, or let the starting recipe of the prepare step do it.",
  });
  const add = operator() ? addBlock(kinds, (id) => list.open(id)) : h("div");
  const cumulative = block({ title: "Refine the cumulative matte", key: "refine" });
  const refine = form("Refine", ["refine"], { subject: "Cumulative matte" });
  cumulative.body.append(refine.node);
  const marks = () => {
    empty.hidden = state.recipe.extractors.length > 0;
    cumulative.hint(summary("Refine", ["refine"]));
    for (const card of list.node.querySelectorAll(".card")) {
      const here = view.name === "matte" && view.extractor === /** @type {HTMLElement} */ (card).dataset.id;
      card.classList.toggle("shown", here);
      card.querySelector(".eye")?.setAttribute("aria-pressed", String(here));
    }
  };
  const stopView = on("view", marks);
  const all = together([
    { node: empty },
    list,
    { node: add },
    sampleCards(sampleActs),
    { ...refine, node: cumulative },
  ]);
  marks();
  return {
    ...all,
    node: all.node,
    refresh: (/** @type {string[][] | undefined} */ c) => {
      all.refresh(c);
      marks();
    },
    stop: () => {
      stopView();
      all.stop();
    },
  };
}

/** How a matte is combined with those before it; the first that takes part has none before. @param {Extractor} item */
const combinedAs = (item) =>
  item.id === state.recipe.extractors.find((e) => e.on)?.id
    ? "first"
    : words(item.combine ?? (item.role === "core" ? "max" : "union")).toLowerCase();

/** @param {Extractor} item */
function ownMatte(item) {
  return h(
    "button",
    {
      type: "button",
      class: "btn flat icon eye",
      title: "Show its own matte",
      "aria-label": `Show the own matte of ${item.name}`,
      "aria-pressed": "false",
      onclick: () => {
        const here = view.name === "matte" && view.extractor === item.id;
        showView("matte", here ? "" : item.id);
      },
    },
    icon("eye"),
  );
}

/** Only this extractor takes part; again brings the others back. @param {Extractor} item */
function only(item) {
  return h(
    "button",
    {
      type: "button",
      class: "btn flat icon",
      title: "Only this one",
      "aria-label": `Only ${item.name} takes part`,
      onclick: () => {
        const all = state.recipe.extractors;
        const alone = all.every((e) => e.on === (e.id === item.id));
        const wanted = (/** @type {Extractor} */ e) =>
          alone && all.length > 1 ? (beforeOnly?.get(e.id) ?? true) : e.id === item.id;
        const ops = all
          .filter((e) => e.on !== wanted(e))
          .map((e) => setOp(["extractors", e.id, "on"], wanted(e)));
        if (!alone) beforeOnly = new Map(all.map((e) => [e.id, e.on]));
        if (ops.length) change(ops, { label: alone ? "All extractors as before" : `Only ${item.name}` });
      },
    },
    icon("only"),
  );
}

/** @param {[string, string, string][]} kinds @param {(id: string) => void} onadd */
function addBlock(kinds, onadd) {
  const fold = block({
    title: "Add an extractor",
    key: "add-extractor",
    open: !state.recipe.extractors.length,
  });
  fold.body.append(
    h(
      "div",
      { class: "addgrid" },
      ...kinds.map(([kind, , help]) =>
        h(
          "button",
          {
            type: "button",
            class: "btn",
            dataset: { kind },
            onclick: () => {
              const id = newId();
              const same = state.recipe.extractors.filter((e) => e.kind === kind).length;
              const item = {
                ...copy(state.defaults.extractors[kind]),
                id,
                name: words(kind) + (same ? ` ${same + 1}` : ""),
              };
              change([{ op: "insert", path: ["extractors"], item, before: null }], {
                label: `Add ${item.name}`,
              });
              fold.open = false;
              onadd(id);
            },
          },
          h("span", { class: "strong", text: words(kind) }),
          h("span", { class: "help", text: help }),
        ),
      ),
    ),
  );
  return fold;
}

/** @param {Extractor} item @param {string[]} path @param {string} model */
function extractorBody(item, path, model) {
  const own = fieldsOf(model)
    .map((f) => f.key)
    .filter((k) => !COMMON.includes(k) && k !== "shapes" && k !== "refine");
  const parts = [];
  if (item.kind === "value_band") {
    parts.push(form(model, path, { only: ["channel", "space"], subject: item.name }), valueBand(path));
    if (operator()) parts.push({ node: channelFinder(path) });
  } else parts.push(form(model, path, { only: own, subject: item.name }));
  if (item.kind === "value_band") own.splice(0, own.length, ...own.filter((k) => !BAND_ENDS.includes(k)));
  const joining = form(model, path, {
    only: ["name", "role", "combine", "strength", "inverted", "key_from"],
    subject: item.name,
  });
  parts.push({
    ...joining,
    node: block({ title: "Name, combine, key from", key: `${item.id}/combine` }, joining.node),
  });
  parts.push(form(model, path, { only: ["refine", "shapes"], subject: item.name }));
  return together(parts);
}

/** The channel that tells two sampled regions apart best. @param {string[]} path */
function channelFinder(path) {
  const out = h("div");
  const run = async () => {
    const [take, leave] = state.samples;
    if (!leave)
      return out.replaceChildren(
        h("p", {
          class: "help",
          text: "Sample two regions first: what to leave out, then what to take (the newest sample is taken).",
        }),
      );
    try {
      const got = await ask({ type: "separate", frame: frameShown(), box_a: take.box, box_b: leave.box });
      out.replaceChildren(
        h(
          "ul",
          { class: "list" },
          ...got.channels
            .slice(0, 4)
            .map((c, /** @type {number} */ i) =>
              h(
                "li",
                {},
                h("span", { class: `grow${i ? " quiet" : ""}`, text: `${words(c.channel)}, ${c.space}` }),
                h("span", { class: "vu", text: `${figure(c.separation, 0.1)} σ apart` }),
              ),
            ),
        ),
        button({
          label: "Use the best channel",
          text: `Use ${words(got.channels[0].channel).toLowerCase()}`,
          class: "primary small",
          onclick: () => {
            const item = getAt(state.recipe, path);
            change([{ op: "set", path, value: { ...copy(item), ...got.suggestion } }], {
              label: `${item.name}: best channel`,
            });
          },
        }),
      );
    } catch (error) {
      sayError(/** @type {Error} */ (error));
    }
  };
  return block(
    { title: "Find the best channel", key: "separate" },
    h("p", {
      class: "help",
      text: "Which channel tells the two newest samples apart best? The newest is what the band should take.",
    }),
    button({
      label: "Compare the two newest samples",
      text: "Compare the two newest samples",
      class: "small",
      onclick: run,
    }),
    out,
  );
}

/** @param {import("../store.js").Taken} taken */
function sampleActs({ sample }) {
  const acts = [
    {
      label: "Use this as the screen's colour",
      text: "Screen colour",
      run: () =>
        change([{ op: "set", path: ["screen", "colour"], value: sample.linear }], {
          label: "Screen colour from the picture",
        }),
    },
  ];
  for (const e of state.recipe.extractors) {
    if (e.kind === "hue_band")
      acts.push({
        label: `Centre ${e.name} on this hue`,
        text: `Centre ${e.name} here`,
        run: () =>
          change([{ op: "set", path: ["extractors", e.id, "hue_deg"], value: Math.round(sample.hue_deg) }], {
            label: `${e.name}: centre from the picture`,
          }),
      });
  }
  return acts.slice(0, 3);
}
