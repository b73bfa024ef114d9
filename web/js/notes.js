// Notes pinned to a frame and a place of the picture.

import { button, h, sheet } from "./dom.js";
import { take } from "./gestures.js";
import { NOTE_LENGTH } from "./limits.js";
import { putMark, removeMark } from "./marks.js";
import { insideFrame } from "./picture.js";
import { on, operator, state } from "./store.js";
import { goTo } from "./transport.js";
import { send } from "./wire.js";

/** @import { Note } from "./wire-types.js" */

/** The tool: a tap pins a note. */
export function takeNotePin() {
  take({
    name: "note",
    hint: "Tap the place the note is about",
    keyHint: "Enter sets its place",
    down: () => {},
    up(at) {
      if (!insideFrame(at[0], at[1])) return;
      take(null);
      write(at);
    },
  });
}

/** @param {number[]} at */
function write(at) {
  const text = h("textarea", { "aria-label": "Note", maxLength: NOTE_LENGTH, rows: 4 });
  const frame = state.playhead.frame;
  const box = sheet(
    "Note",
    h("p", { class: "lead", text: `Frame ${frame}, at ${at.map(Math.round).join(", ")}` }),
    text,
  );
  const keep = button({
    label: "Save note",
    text: "Save note",
    class: "primary",
    onclick: () => {
      if (text.value.trim())
        send({
          type: "note_add",
          frame,
          x: Math.round(at[0] * 10) / 10,
          y: Math.round(at[1] * 10) / 10,
          text: text.value.trim(),
        });
      box.close();
    },
  });
  box.foot.append(keep);
  text.focus();
}

/** @param {Note} note */
const mine = (note) => operator() || note.device === state.you.device;

/** @param {Note} note */
function read(note) {
  const own = mine(note);
  const box = sheet(
    note.by || (note.role === "operator" ? "Operator" : "Reviewer"),
    h("p", { class: "lead", text: `Frame ${note.frame}${note.done ? ", done" : ""}` }),
    h("p", { text: note.text }),
  );
  if (!own) return;
  box.foot.prepend(
    button({
      label: "Remove the note",
      icon: "bin",
      text: "Remove",
      onclick: () => {
        send({ type: "note_remove", note: note.note });
        box.close();
      },
    }),
    button({
      label: note.done ? "Mark as open" : "Mark as done",
      text: note.done ? "Open again" : "Done",
      onclick: () => {
        send({ type: "note_edit", note: note.note, text: null, done: !note.done });
        box.close();
      },
    }),
  );
}

/** @type {HTMLElement[]} */
let pins = [];
function showPins() {
  pins.forEach(removeMark);
  pins = state.notes
    .map((note, i) => ({ note, i }))
    .filter(({ note }) => note.frame === state.playhead.frame && !note.done)
    .map(({ note, i }) => {
      const pin = h(
        "button",
        {
          type: "button",
          class: "pin",
          "aria-label": `Note ${i + 1}: ${note.text}`,
          title: note.text,
          onclick: () => read(note),
        },
        h("span", { text: String(i + 1), "aria-hidden": "true" }),
      );
      putMark(pin, note.x, note.y);
      return pin;
    });
}
on("notes playhead", showPins);

export function notesList() {
  const list = h("ul", { class: "list notes" });
  const node = h(
    "div",
    { class: "section" },
    h(
      "div",
      { class: "bar spread" },
      h("h3", { text: "Notes" }),
      button({
        label: "Pin a note on the picture",
        icon: "note",
        text: "Pin a note",
        class: "small",
        onclick: takeNotePin,
      }),
    ),
    list,
  );
  const show = () =>
    list.replaceChildren(
      ...(state.notes.length
        ? state.notes.map((note, i) =>
            h(
              "li",
              {},
              h(
                "button",
                {
                  type: "button",
                  class: "btn flat pick",
                  onclick: () => {
                    goTo(note.frame);
                    read(note);
                  },
                },
                h("span", { class: note.done ? "quiet" : "", text: `${i + 1}. ${note.text}` }),
              ),
              h("span", {
                class: "when",
                text: `Frame ${note.frame}, ${note.by || note.role}${note.done ? ", done" : ""}`,
              }),
            ),
          )
        : [h("li", { class: "help", text: "No notes yet. A note is pinned to a frame and a place." })]),
    );
  const stop = on("notes", show);
  show();
  return { node, stop };
}
