// Who is watching, the links that let them in, and taking a link back.

import { button, h, sheet } from "./dom.js";
import { NAME_LENGTH } from "./limits.js";
import { on, operator, state } from "./store.js";
import { sayError } from "./notice.js";
import { ask, send } from "./wire.js";

/** @import { Device, Person, Role } from "./wire-types.js" */

export function openPeople() {
  const here = h("ul", { class: "list people" });
  const devices = h("ul", { class: "list people" });
  const mayInvite = operator() ? invite(devices) : [];
  const box = sheet("Who is watching", here, h("h3", { text: "Your name" }), nameRow(), mayInvite);
  const show = () => {
    here.replaceChildren(...state.people.map(personRow));
    devices.replaceChildren(...state.devices.map(deviceRow));
  };
  const stop = on("people devices", show);
  box.addEventListener("close", stop);
  show();
}

/** Links that let somebody in, and the devices that came in by one. @param {HTMLElement} devices */
function invite(devices) {
  const link = h("div", { class: "madelink" });
  const revoke = () => {
    send({ type: "revoke", device: null, role: "reviewer" });
    const told = "The reviewers' link no longer works, and its devices are signed out.";
    link.replaceChildren(h("p", { class: "help", text: told }));
  };
  return [
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
        onclick: revoke,
      }),
    ),
    link,
    h("h3", { text: "Devices" }),
    devices,
  ];
}

/** @param {string} name @param {string} facts */
const who = (name, facts) =>
  h(
    "span",
    { class: "who" },
    h("span", { class: "strong", text: name }),
    " ",
    h("span", { class: "quiet", text: facts }),
  );

/** @param {Person} p */
function personRow(p) {
  const looks = p.following ? "following" : `looking at frame ${p.frame}`;
  const facts = [
    p.role,
    p.client === state.you.client ? "you" : "",
    p.role === "reviewer" ? looks : "",
    p.hidden ? "page hidden" : "",
  ];
  return h("li", {}, who(p.name || "Somebody", facts.filter(Boolean).join(", ")));
}

/** @param {number} seconds since 1970 */
const clock = (seconds) =>
  new Date(seconds * 1000).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });

/** @param {Device} d */
function deviceRow(d) {
  const facts = `${d.role}, ${d.connected ? "connected" : `last seen ${clock(d.seen)}`}`;
  const out = button({
    label: `Sign ${d.name || "this device"} out`,
    text: "Sign out",
    class: "small",
    onclick: () => send({ type: "revoke", device: d.device, role: null }),
  });
  const own = d.device === state.you.device;
  return h(
    "li",
    { dataset: { device: d.device } },
    who(d.name || d.role, facts),
    own ? h("span", { class: "quiet", text: "this device" }) : out,
  );
}

function nameRow() {
  const input = h("input", {
    class: "text",
    type: "text",
    maxLength: NAME_LENGTH,
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

/** @param {Role} role @param {HTMLElement} place */
async function makeLink(role, place) {
  try {
    const got = await ask({ type: "link", role });
    const field = h("input", { class: "text", readOnly: true, value: got.url, "aria-label": "The link" });
    const copyIt = () => {
      field.select();
      navigator.clipboard?.writeText(got.url);
    };
    const use =
      role === "reviewer" ? "Works for many tablets until it is revoked." : "Works once, for one device.";
    const code = { src: got.qr, alt: "The link as a QR code", class: "qr", width: 200, height: 200 };
    place.replaceChildren(
      h("p", { text: use }),
      h(
        "div",
        { class: "linkline" },
        field,
        button({ label: "Copy the link", text: "Copy", onclick: copyIt }),
      ),
      got.qr ? h("img", code) : "",
    );
  } catch (error) {
    sayError(/** @type {Error} */ (error));
  }
}
