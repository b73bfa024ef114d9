// Choosing a picture, movie or pass among what lies under the media roots.

import { h, sheet } from "./dom.js";
import { sayError } from "./notice.js";
import { ask } from "./wire.js";

/** @param {string} title @param {(name: string) => void} onpick */
export function pickMedia(title, onpick) {
  const list = h("ul", { class: "list" });
  const where = h("p", { class: "lead" });
  const box = sheet(title, where, list);
  open("", "", []);

  /** @param {string} root @param {string} under @param {{root: string, under: string}[]} trail */
  async function open(root, under, trail) {
    try {
      const got = await ask({ type: "media", root, under });
      where.textContent = under || root || "Folders the server may read from";
      const rows = got.entries.map((/** @type {any} */ entry) =>
        row(entry, got, [...trail, { root, under }]),
      );
      if (trail.length)
        rows.unshift(
          h(
            "li",
            {},
            h("button", {
              type: "button",
              class: "btn flat pick",
              text: "Back",
              onclick: () => {
                const back = trail[trail.length - 1];
                open(back.root, back.under, trail.slice(0, -1));
              },
            }),
          ),
        );
      list.replaceChildren(
        ...(rows.length
          ? rows
          : [
              h("li", {
                class: "quiet",
                text: "Nothing here that can be read. Folders are named with --media-root when the server starts.",
              }),
            ]),
      );
    } catch (error) {
      box.close();
      sayError(/** @type {Error} */ (error));
    }
  }

  /** @param {any} entry @param {any} got @param {any[]} trail */
  function row(entry, got, trail) {
    const folder = entry.kind === "folder";
    const range =
      entry.first !== null && entry.first !== undefined && entry.last !== entry.first
        ? `${entry.first}–${entry.last}`
        : entry.kind;
    return h(
      "li",
      {},
      h("button", {
        type: "button",
        class: "btn flat pick",
        text: folder ? `${entry.label}/` : entry.label,
        onclick: () => {
          if (folder) return open(got.root || entry.name, got.root ? entry.name : "", trail);
          onpick(entry.name);
          box.close();
        },
      }),
      h("span", { class: "quiet", text: folder ? "" : range }),
    );
  }
}
