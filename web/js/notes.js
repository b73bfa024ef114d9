// Notes pinned to a frame and a place of the picture.

import { button, h, sheet } from "./dom.js";
import { take, toolInHand } from "./gestures.js";
import { NOTE_LENGTH } from "./limits.js";
import { putMark, removeMark } from "./marks.js";
import { insideFrame } from "./picture.js";
import { frameShown, on, operator, state } from "./store.js";
import { goTo, noting } from "./transport.js";
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
  const frame = frameShown();
  const box = sheet(
    "Note",
    h("p", { class: "lead", text: `Frame ${frame}, at ${at.map(Math.round).join(", ")}` }),
    text,
  );
  const told = h("p", { class: "help", role: "alert" });
  const keep = button({
    label: "Save note",
    text: "Save note",
    class: "primary",
    onclick: () => {
      const words = text.value.trim();
      if (!words) {
        told.textContent = "This note is empty: write what should be seen or done here.";
        return text.focus();
      }
      const [x, y] = at.map((v) => Math.round(v * 10) / 10);
      send({ type: "note_add", frame, x, y, text: words });
      box.close();
    },
  });
  text.addEventListener("input", () => (told.textContent = ""));
  text.after(told);
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
    .filter(({ note }) => note.frame === frameShown() && !note.done)
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
on("notes frame", showPins);

/** The list of notes; `onleave` is called when one goes from it to the picture. @param {() => void} [onleave] */
export function notesList(onleave = () => {}) {
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
        onclick: () => {
          onleave();
          takeNotePin();
        },
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
                    onleave();
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

const pinOne = button({
  label: "Pin a note",
  icon: "note",
  onclick: () => (toolInHand() === "note" ? take(null) : takeNotePin()),
});
const listAll = button({ label: "All notes", icon: "list", onclick: openNotes });
noting.append(pinOne, listAll);

/** All notes in a sheet, for those who have the steps folded away. */
function openNotes() {
  const list = notesList(() => box.close());
  const box = sheet("Notes", list.node);
  box.addEventListener("close", list.stop);
}

on("tool", () => pinOne.setAttribute("aria-pressed", String(toolInHand() === "note")));
on("notes", () => {
  const open = state.notes.filter((n) => !n.done).length;
  listAll.title = open ? `All notes, ${open} open` : "All notes";
});
