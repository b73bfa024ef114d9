// Choosing a picture, movie or pass among what lies under the media roots.

import { h, sheet } from "./dom.js";
import { sayError } from "./notice.js";
import { ask } from "./wire.js";

/** @import { MediaEntry } from "./wire-types.js" */

/** A folder: a media root, and the name of what is opened in it. @typedef {{root: string, under: string}} Folder */

const NOTHING = "Nothing here that can be read. Folders are named with --media-root when the server starts.";

/** @param {string} title @param {(name: string) => void} onpick */
export function pickMedia(title, onpick) {
  const list = h("ul", { class: "list" });
  const where = h("p", { class: "lead" });
  const box = sheet(title, where, list);
  open({ root: "", under: "" }, []);

  /** @param {Folder} folder @param {Folder[]} trail the folders above it */
  async function open(folder, trail) {
    try {
      const got = await ask({ type: "media", ...folder });
      where.textContent = folder.under || folder.root || "Folders the server may read from";
      const rows = got.entries.map((entry) => {
        if (entry.kind !== "folder") return row(entry, () => pick(entry.name));
        const inner = { root: got.root || entry.name, under: got.root ? entry.name : "" };
        return row(entry, () => open(inner, [...trail, folder]));
      });
      const above = trail[trail.length - 1];
      if (above)
        rows.unshift(
          h(
            "li",
            {},
            pickButton("Back", () => open(above, trail.slice(0, -1))),
          ),
        );
      list.replaceChildren(...(rows.length ? rows : [h("li", { class: "quiet", text: NOTHING })]));
    } catch (error) {
      box.close();
      sayError(/** @type {Error} */ (error));
    }
  }
  /** @param {string} name */
  function pick(name) {
    onpick(name);
    box.close();
  }
}

/** @param {string} text @param {() => void} onclick */
const pickButton = (text, onclick) => h("button", { type: "button", class: "btn flat pick", text, onclick });

/** @param {MediaEntry} entry @param {() => void} onclick */
function row({ label, kind, first, last }, onclick) {
  const folder = kind === "folder";
  const what = first !== null && last !== first ? `${first}–${last}` : kind;
  return h(
    "li",
    {},
    pickButton(folder ? `${label}/` : label, onclick),
    h("span", { class: "quiet", text: folder ? "" : what }),
  );
}
