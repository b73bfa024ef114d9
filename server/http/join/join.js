// Redeems a link: the token stands in the fragment, which browsers never send, and goes out only
// when the button is pressed.

const form = /** @type {HTMLFormElement} */ (document.getElementById("join"));
const said = /** @type {HTMLElement} */ (document.getElementById("said"));
const called = /** @type {HTMLInputElement} */ (document.getElementById("name"));
const token = location.hash.slice(1);

if (token) {
  history.replaceState(null, "", "/join");
  form.hidden = false;
  said.textContent = "";
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const name = called.value;
  try {
    const answer = await fetch("/api/join", {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ token, name }),
    });
    if (answer.ok) {
      location.replace("/");
      return;
    }
    const told = await answer.json();
    said.textContent = told.error ?? "This link cannot be used.";
  } catch {
    said.textContent = "The service does not answer. Is it still running?";
  }
});
