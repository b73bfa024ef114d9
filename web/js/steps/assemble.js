// Assemble: edge colour, foreground, background, screen light, light wrap, and the view-only look.

import { block, button, h } from "../dom.js";
import { change } from "../edits.js";
import { form } from "../form.js";
import { pickMedia } from "../media.js";
import { getAt } from "../paths.js";
import { operator, state } from "../store.js";
import { displayChoice } from "../display.js";
import { together } from "./common.js";

const PLACING = [
  "move_x_px",
  "move_y_px",
  "scale",
  "rotate_deg",
  "time_offset",
  "exposure_stops",
  "defocus_px",
  "regrain",
];

export function assembleStep() {
  const background = backgroundBlock();
  const rest = form("Assemble", ["assemble"], {
    skip: ["background", "foreground_exposure_stops", "foreground_gain"],
  });
  const front = block({ title: "Foreground", key: "assemble/foreground" });
  const grade = form("Assemble", ["assemble"], { only: ["foreground_exposure_stops", "foreground_gain"] });
  front.body.append(grade.node);
  const lookFold = block(
    { title: "Look of the view", key: "look" },
    h("p", { class: "help", text: "Changes the picture on the screen only, never a rendered layer." }),
  );
  const display = displayChoice();
  const look = form("Look", ["look"], { skip: ["display", "view"], subject: "Look" });
  lookFold.body.append(display.node, look.node);
  return together([
    background,
    rest,
    { ...grade, node: front },
    {
      node: lookFold,
      refresh: (/** @type {string[][] | undefined} */ c) => {
        look.refresh(c);
        display.refresh();
      },
      tick: look.tick,
    },
  ]);
}

/** The background: kind first, then what that kind needs. */
function backgroundBlock() {
  const path = ["assemble", "background"];
  const fold = block({ title: "Background", key: "assemble/background", open: true });
  const kind = form("Background", path, { only: ["kind"], subject: "Background" });
  const file = h("div", { class: "field" });
  const colour = form("Background", path, { only: ["colour"], subject: "Background" });
  const space = form("Background", path, { only: ["colourspace"], subject: "Background" });
  const placing = form("Background", path, { only: PLACING, subject: "Background" });
  const place = block({ title: "Place, expose, defocus", key: "assemble/background/place" }, placing.node);
  fold.body.append(kind.node, file, colour.node, space.node, place);
  const show = () => {
    const b = getAt(state.recipe, path);
    file.hidden = space.node.hidden = b.kind !== "picture";
    colour.node.hidden = b.kind !== "colour";
    place.hidden = b.kind === "colour";
    file.replaceChildren(
      h(
        "div",
        { class: "line" },
        h("span", { class: "grow", text: b.path || "No picture chosen" }),
        operator()
          ? button({
              label: "Choose the background's picture",
              icon: "file",
              text: "Choose",
              class: "small",
              onclick: () =>
                pickMedia("Background", (name) =>
                  change(
                    [
                      { op: "set", path: [...path, "path"], value: name },
                      { op: "set", path: [...path, "kind"], value: "picture" },
                    ],
                    { label: "Background picture" },
                  ),
                ),
            })
          : null,
      ),
    );
    fold.hint(b.kind === "picture" ? (b.path.split("/").pop() ?? "") : b.kind);
  };
  show();
  return {
    node: fold,
    refresh: (/** @type {string[][] | undefined} */ c) => {
      [kind, colour, space, placing].forEach((f) => f.refresh(c));
      show();
    },
    tick: () => [kind, colour, space, placing].forEach((f) => f.tick()),
  };
}
