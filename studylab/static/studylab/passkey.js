/* Asks the browser for a passkey when its form is sent, and sends what it answered along. */
(function () {
  "use strict";
  const box = document.querySelector("[data-passkey]");
  if (!box) return;
  const form = box.matches("form") ? box : box.querySelector("form");
  const said = box.querySelector("[data-passkey-said]");
  const field = box.querySelector("[data-passkey-answer], [name=credential]");
  field.value = ""; // an answer counts once, also when the rest of the form was refused
  if (!window.PublicKeyCredential) { tell("This browser knows no passkeys. Use another one, or the other way."); return; }

  function tell(text) {
    said.textContent = text;
    said.hidden = false;
  }

  function words(problem) {
    if (problem.name === "InvalidStateError") return "There is a passkey of this account on it already. Choose another place for a further one.";
    if (problem.name === "NotAllowedError") return "The browser was given no passkey: it was cancelled, took too long, or there is none for this site. Nothing happened.";
    if (problem.name === "SecurityError") return "The browser allows no passkeys under this address.";
    return "The passkey could not be asked for. Nothing happened; try again.";
  }

  async function options() {
    if (!box.dataset.optionsUrl) return JSON.parse(document.getElementById("passkey-options").textContent);
    const answer = await fetch(box.dataset.optionsUrl, { headers: { Accept: "application/json" } });
    if (!answer.ok) throw new Error("no options");
    return (await answer.json()).request_options;
  }

  // Before app.js marks the form as busy: this is no sending yet.
  form.addEventListener("submit", async function (event) {
    if (field.value) return;
    event.preventDefault();
    said.hidden = true;
    try {
      const asked = await options();
      const made = box.dataset.passkey === "create" ? await webauthnJSON.create(asked) : await webauthnJSON.get(asked);
      field.value = JSON.stringify(made);
    } catch (problem) { tell(words(problem)); return; }
    form.requestSubmit();
  });
})();
