// Who is there, the links that let them in, and taking a link back.

import { button, h, sheet } from "./dom.js";
import { on, operator, state } from "./store.js";
import { sayError } from "./notice.js";
import { ask, send } from "./wire.js";

export function openPeople() {
  const here = h("ul", { class: "list people" });
  const devices = h("ul", { class: "list people" });
  const link = h("div", { class: "madelink" });
  const box = sheet("Who is there", here);
  const foot = box.querySelector(".foot");
  foot.before(h("h3", { text: "Your name" }), nameRow());
  if (operator())
    foot.before(
      h("h3", { text: "Let somebody in" }),
      h(
        "div",
        { class: "bar" },
        button({
          label: "Make a link for reviewers",
          text: "Reviewers' link",
          onclick: () => makeLink("reviewer", link),
        }),
        button({
          label: "Make a link for another operator, which works once",
          text: "Operator's link",
          onclick: () => makeLink("operator", link),
        }),
        button({
          label: "Revoke the reviewers' link and sign their devices out",
          text: "Revoke the reviewers' link",
          class: "flat",
          onclick: () => {
            send({ type: "revoke", device: null, role: "reviewer" });
            link.replaceChildren(
              h("p", {
                class: "help",
                text: "The reviewers' link no longer works, and its devices are signed out.",
              }),
            );
          },
        }),
      ),
      link,
      h("h3", { text: "Devices" }),
      devices,
    );
  const show = () => {
    here.replaceChildren(
      ...state.people.map((/** @type {any} */ p) =>
        h(
          "li",
          {},
          h(
            "span",
            { class: "who" },
            h("span", { class: "strong", text: p.name || "Somebody" }),
            " ",
            h("span", {
              class: "quiet",
              text: [
                p.role,
                p.client === state.you.client ? "you" : "",
                p.role === "reviewer" ? (p.following ? "following" : `looking at frame ${p.frame}`) : "",
                p.hidden ? "page hidden" : "",
              ]
                .filter(Boolean)
                .join(", "),
            }),
          ),
        ),
      ),
    );
    devices.replaceChildren(
      ...state.devices.map((/** @type {any} */ d) =>
        h(
          "li",
          { dataset: { device: d.device } },
          h(
            "span",
            { class: "who" },
            h("span", { class: "strong", text: d.name || d.role }),
            " ",
            h("span", {
              class: "quiet",
              text: `${d.role}, ${d.connected ? "connected" : `last seen ${new Date(d.seen * 1000).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false })}`}`,
            }),
          ),
          d.device === state.you.device
            ? h("span", { class: "quiet", text: "this device" })
            : button({
                label: `Sign ${d.name || "this device"} out`,
                text: "Sign out",
                class: "small",
                onclick: () => send({ type: "revoke", device: d.device, role: null }),
              }),
        ),
      ),
    );
  };
  const stop = on("people devices", show);
  box.addEventListener("close", stop);
  show();
}

function nameRow() {
  const input = h("input", {
    class: "text",
    type: "text",
    maxLength: 60,
    "aria-label": "Your name, shown to the others",
    value: localStorage.getItem("name") ?? state.you.name ?? "",
    onchange: () => localStorage.setItem("name", input.value.trim()),
  });
  return h(
    "div",
    { class: "field" },
    input,
    h("p", { class: "help", text: "Shown to the others from the next time the page connects." }),
  );
}

/** @param {"reviewer" | "operator"} role @param {any} place */
async function makeLink(role, place) {
  try {
    const got = await ask({ type: "link", role });
    const field = h("input", { class: "text", readOnly: true, value: got.url, "aria-label": "The link" });
    place.replaceChildren(
      h("p", {
        text:
          role === "reviewer" ? "Works for many tablets until it is revoked." : "Works once, for one device.",
      }),
      h(
        "div",
        { class: "linkline" },
        field,
        button({
          label: "Copy the link",
          text: "Copy",
          onclick: () => {
            field.select();
            navigator.clipboard?.writeText(got.url);
          },
        }),
      ),
      got.qr
        ? h("img", { src: got.qr, alt: "The link as a QR code", class: "qr", width: 200, height: 200 })
        : "",
    );
  } catch (error) {
    sayError(/** @type {Error} */ (error));
  }
}
