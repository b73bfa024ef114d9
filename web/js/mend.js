// Watches over the page's start: a part that throws, or that cannot be loaded, reloads the page once by
// itself; if that does not help, the page says so. Imports nothing, so that nothing can keep it from
// doing this.

const TRIED = "verdigris.mended";
const WELL_S = 20;

/** Whether the page was reloaded by itself a moment ago. */
function tried() {
  try {
    return Date.now() - Number(sessionStorage.getItem(TRIED) ?? 0) < 1000 * WELL_S;
  } catch {
    return true;
  }
}

/** @param {string} sentence */
function tell(sentence) {
  const place = document.getElementById("notice") ?? document.body;
  const toast = document.createElement("div");
  toast.className = "toast";
  toast.append(sentence);
  const again = document.createElement("button");
  again.type = "button";
  again.className = "btn";
  again.textContent = "Reload";
  again.addEventListener("click", () => location.reload());
  toast.append(again);
  place.append(toast);
}

let told = false;
const begun = () => document.documentElement.dataset.started === "yes";

function failed() {
  const started = begun();
  if (!started && !tried()) {
    sessionStorage.setItem(TRIED, String(Date.now()));
    location.reload();
  } else if (!told) {
    told = true;
    tell(
      started
        ? "A part of this page has failed. Your changes are kept; reload the page to go on."
        : "This page could not start. Reload it; if that does not help, start the server again.",
    );
  }
}

addEventListener(
  "error",
  (event) => {
    const thrown = event instanceof ErrorEvent && !event.message.startsWith("ResizeObserver");
    if (thrown || event.target instanceof HTMLScriptElement) failed();
  },
  true, // scripts that do not load tell only those who listen on the way down
);
addEventListener("unhandledrejection", () => begun() || failed());
