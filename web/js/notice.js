// Short notices at the bottom of the page, spoken by screen readers.

import { byId, button, h } from "./dom.js";

const SHOW_MS = 9000;

/** @param {string} sentence @param {{text: string, run: () => void}} [act] */
export function say(sentence, act) {
  const place = byId("notice");
  for (const old of [...place.children].slice(0, -2)) old.remove();
  const toast = h("div", { class: "toast" }, h("span", { text: sentence }));
  if (act)
    toast.append(
      button({
        label: act.text,
        text: act.text,
        onclick: () => {
          toast.remove();
          act.run();
        },
      }),
    );
  toast.append(button({ label: "Dismiss", icon: "close", onclick: () => toast.remove() }));
  place.append(toast);
  if (!act) setTimeout(() => toast.remove(), SHOW_MS);
}

/** Report a rejected request. @param {Error} error */
export const sayError = (error) => say(error.message);
