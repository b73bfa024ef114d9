// The day's list: every kept take with picture, verdict, main reason and note; trend; exports.

import { block, button, dropdown, h, oneOf, sheet } from "./dom.js";
import { keepNote, kept, pickDay, thumbnailOf, wholeTake } from "./kept.js";
import { scaleOf } from "./legend.js";
import { NOTE_LENGTH } from "./limits.js";
import { mapImage, mapWord } from "./maps.js";
import { sayError } from "./notice.js";
import { capital } from "./paths.js";
import { on, operator } from "./store.js";
import { short, trendChart } from "./trend.js";
import { cautionOf, held, toDo, verdictHead, verdictKey, verdictWord } from "./verdict.js";

/** @import { KeptTake, WholeTake } from "./wire-types.js" */

/** What the trend shows, kept while the list is built anew. */
const chart = { measure: "evenness_stops", picked: /** @type {number | null} */ (null) };

export function dayBlock() {
  const fold = block({ title: "Takes of the day", key: "day", open: true });
  const show = () => {
    fold.hint(kept.takes.length ? `${kept.takes.length}` : "");
    fold.body.replaceChildren(...contents());
  };
  const stop = on("kept", show);
  show();
  return { node: fold, stop };
}

/** @param {string} text */
const help = (text) => h("p", { class: "help", text });

function contents() {
  if (kept.trouble) return [help(capital(kept.trouble))];
  const damaged = kept.left_out ? [help(`${capital(kept.left_out)}.`)] : [];
  if (!kept.takes.length) return damaged.length ? damaged : [help(empty())];
  const rows = [...kept.takes].reverse().map(row);
  const list = h("ul", { class: "day", "aria-label": `Takes of ${kept.day}` }, ...rows);
  return [tools(), ...damaged, trend(), list];
}

function trend() {
  if (kept.takes.length < 2)
    return h(
      "div",
      { class: "trendpart" },
      help("The trend of every measure begins with the day's second take."),
    );
  const place = h("div", {});
  const told = h("div", { class: "told", "aria-live": "polite" });
  const draw = () => {
    const m = kept.measures.find((one) => one.name === chart.measure) ?? kept.measures[0];
    const pick = (/** @type {number} */ take) => {
      chart.picked = take;
      draw();
    };
    place.replaceChildren(trendChart(m, kept.takes, chart.picked, pick));
    const take = kept.takes.find((t) => t.id === chart.picked);
    if (!take) {
      const text = `${m.rising ? "Lower" : "Higher"} is better. Tap the chart to read a take.`;
      return told.replaceChildren(h("span", { class: "help", text }));
    }
    const v = take.values[m.name] ?? null;
    const value = v === null ? "no value" : `${short(v)} ${m.unit}`;
    const open = () => openTake(take.id);
    told.replaceChildren(
      h("span", { class: "grow", text: `Take ${take.id}, ${take.name}: ${value}` }),
      button({ label: `Open take ${take.id}`, text: "Open", class: "small", onclick: open }),
    );
  };
  const choose = dropdown({
    label: "Measure",
    value: chart.measure,
    options: kept.measures.map((m) => [m.name, `${capital(m.title)}${m.unit ? `, ${m.unit}` : ""}`]),
    onpick: (name) => {
      chart.measure = name;
      draw();
    },
  });
  draw();
  return h("div", { class: "trendpart" }, h("h3", { text: "Trend over the takes" }), choose, place, told);
}

function empty() {
  if (!kept.loaded) return "Reading the take log \u2026";
  return operator()
    ? "No take is kept yet. Survey the screen above: every survey is kept here with its picture, its " +
        "verdict and your note."
    : "No take is kept yet. Every take that the operator surveys appears here.";
}

/** Which day, and its exports. */
function tools() {
  const day =
    kept.days.length > 1
      ? dropdown({
          label: "Day",
          value: kept.day,
          options: kept.days.map((d) => /** @type {[string, string]} */ ([d, d])),
          onpick: pickDay,
        })
      : h("span", { class: "quiet", text: kept.day });
  return h(
    "div",
    { class: "bar spread" },
    day,
    operator()
      ? h(
          "div",
          { class: "bar" },
          file(`/api/takes.csv?day=${kept.day}`, "CSV", "Save the day's takes as a table"),
          file(`/api/takes.html?day=${kept.day}`, "Report", "Save the day's report, to be read and printed"),
        )
      : null,
  );
}

/** @param {string} address @param {string} text @param {string} label */
const file = (address, text, label) =>
  h("a", {
    class: "btn small",
    href: address,
    download: "",
    text,
    title: label,
    "aria-label": `${text}: ${label.toLowerCase()}`,
  });

/** @param {KeptTake} take */
function row(take) {
  const b = h(
    "button",
    {
      type: "button",
      class: "takerow",
      "aria-label": `Take ${take.id}, ${take.name}, ${take.verdict}`,
      onclick: () => openTake(take.id),
    },
    h("img", { src: thumbnailOf(take), alt: "", loading: "lazy", width: 88, height: 50 }),
    h(
      "span",
      { class: "grow" },
      h(
        "span",
        { class: "takename" },
        h("span", { class: "strong name", text: `${take.id}. ${take.name}` }),
        h("span", { class: "quiet", text: take.at.slice(11, 16) }),
      ),
      h("span", { class: "takeverdict" }, verdictWord(take.verdict)),
      h("span", {
        class: "quiet line",
        text: take.reason ? held(capital(take.reason.split("; ")[0])) : "Every measure within its limits",
      }),
      take.note ? h("span", { class: "line notetext", text: take.note }) : null,
    ),
  );
  return h("li", { dataset: { kept: take.id, verdict: verdictKey(take.verdict) } }, b);
}

/** A take's sheet: picture and maps, what to do, all measures, the note. @param {number} take */
export async function openTake(take) {
  /** @type {WholeTake} */
  let whole;
  try {
    whole = await wholeTake(take);
  } catch (error) {
    return sayError(/** @type {Error} */ (error));
  }
  const { take: t, verdict } = whole;
  const box = sheet(
    `${t.id}. ${t.name}`,
    h("p", { class: "lead", text: `${t.at.slice(0, 10)} ${t.at.slice(11, 16)}, ${whole.sampling}` }),
    h(
      "div",
      { class: "takesheet", dataset: { verdict: verdictKey(verdict.name) } },
      h("div", {}, pictures(whole), note(t)),
      h(
        "div",
        {},
        verdictHead(whole),
        h("h3", { class: "part", text: "What to do, most important first" }),
        toDo(verdict, null),
        cautionOf(verdict),
      ),
    ),
    measuresOf(whole),
  );
  box.classList.add("wide");
  if (operator())
    box.foot.prepend(
      file(`/api/takes/${t.id}/report.html`, "Report of this take", "Save it, to be read and printed"),
    );
}

/** The frame with its numbered places, or one of the maps with its scale. @param {WholeTake} whole */
function pictures(whole) {
  const place = h("figure", { class: "takepicture" });
  const put = (/** @type {string} */ name) => {
    const map = whole.maps.find((m) => m.name === name);
    const words = [
      whole.frame === null ? "" : `Frame ${whole.frame}.`,
      whole.verdict.reasons.some((r) => r.box) ? "The numbers mark where the reasons lie." : "",
    ]
      .filter(Boolean)
      .join(" ");
    const still = h("img", {
      src: `data:image/jpeg;base64,${whole.thumbnail}`,
      alt: `The surveyed picture of ${whole.take.name}`,
    });
    place.replaceChildren(
      map ? mapImage(map, `${map.title}`) : still,
      map ? scaleOf(map) : h("figcaption", { class: "help", text: words }),
    );
  };
  put("picture");
  const choose = whole.maps.length
    ? oneOf({
        label: "Picture or map",
        class: "choice",
        value: "picture",
        options: [
          { value: "picture", text: "Picture" },
          ...whole.maps.map((m) => ({ value: m.name, text: mapWord(m), title: m.title })),
        ],
        onpick: put,
      })
    : null;
  return h("div", {}, choose, place);
}

/** @param {WholeTake} whole */
export function measuresOf(whole) {
  const STATE = /** @type {Record<string, string>} */ ({ good: "good", work: "costs work", poor: "relight" });
  const rows = whole.lines.map((l) =>
    h(
      "li",
      { dataset: { state: l.state } },
      h("span", { class: "what", text: capital(l.title) }),
      h("span", { class: "value", text: l.value }),
      h("span", { class: "state", text: STATE[l.state] }),
      h("span", { class: "quiet limits", text: l.limits }),
    ),
  );
  // Which frames were looked at stands beside the verdict already.
  const more = whole.facts
    .filter((/** @type {[string, string]} */ [name]) => name !== "frames looked at")
    .map((/** @type {[string, string]} */ [name, text]) =>
      h(
        "li",
        { class: "fact" },
        h("span", { class: "what", text: capital(name) }),
        h("span", { class: "quiet", text }),
      ),
    );
  return block({ title: "All measures", key: "measures" }, h("ul", { class: "measures" }, ...rows, ...more));
}

/** @param {KeptTake} t */
function note(t) {
  if (!operator())
    return h(
      "div",
      { class: "takenote" },
      h("h3", { text: "Note" }),
      h("p", { class: t.note ? "" : "help", text: t.note || "The operator has not written one." }),
    );
  let seen = t.note;
  const text = h("textarea", {
    "aria-label": "Note on this take",
    maxLength: NOTE_LENGTH,
    rows: 3,
    value: t.note,
  });
  const keep = button({
    label: "Save note",
    text: "Save note",
    disabled: true,
    onclick: async () => {
      keep.disabled = true;
      const words = text.value.trim();
      try {
        await keepNote(t.id, words, seen);
        seen = words;
        said.textContent = "Saved.";
      } catch (error) {
        keep.disabled = false;
        sayError(/** @type {Error} */ (error));
      }
    },
  });
  const said = h("span", { class: "quiet", role: "status" });
  text.addEventListener("input", () => {
    keep.disabled = false;
    said.textContent = "Not saved yet.";
  });
  return h(
    "div",
    { class: "takenote" },
    h("h3", { text: "Note" }),
    text,
    h("div", { class: "bar" }, keep, said),
  );
}
