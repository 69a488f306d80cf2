/* Helps with personal links; everything behind the door works without it. */
(function () {
  "use strict";

  // The secret stands behind the "#", which no server and no log ever sees. It goes in with the form.
  function bringLink() {
    const form = document.querySelector("[data-door]");
    const secret = location.hash.slice(1);
    if (!form || secret.length < 20) return;
    form.querySelector("input[name=token]").value = secret;
    form.querySelector("[data-door-field]").hidden = true;
    const here = document.querySelector("[data-door-here]");
    if (here) here.hidden = true; // another link may belong to somebody else than the one opened here before
  }

  function keepLink(event) {
    const form = event.target;
    if (form.matches("[data-keeps-link]") && location.hash.length > 20) form.action += location.hash;
  }

  function holdsSomething(box) {
    return Array.from(box.querySelectorAll("input, textarea")).some((field) =>
      field.type === "radio" || field.type === "checkbox" ? field.checked : field.value !== "");
  }

  function showFollowing(form) {
    form.querySelectorAll("[data-asked-if]").forEach((box) => {
      const lead = form.querySelector('input[name="' + CSS.escape(box.dataset.askedIf) + '"]:checked');
      box.hidden = !(lead && lead.value !== "no");
    });
    form.querySelectorAll("[data-own-detail]").forEach((box) => {
      const chosen = box.parentElement.querySelector("input[type=radio]:checked");
      box.hidden = !holdsSomething(box) && !(chosen && chosen.value !== "no");
    });
  }

  // An amount and "not sure" exclude each other.
  function oneOfTwo(event) {
    const box = event.target.closest(".amount");
    if (!box) return;
    const amount = box.querySelector("input:not([type=checkbox])");
    const unsure = box.querySelector("input[type=checkbox]");
    if (event.target === unsure && unsure.checked) amount.value = "";
    if (event.target === amount && amount.value !== "") unsure.checked = false;
  }

  function once(event) {
    const form = event.target;
    if (form.getAttribute("aria-busy") === "true") { event.preventDefault(); return; }
    form.setAttribute("aria-busy", "true");
    setTimeout(() => form.removeAttribute("aria-busy"), 10000);
  }

  async function copy(event) {
    const button = event.target.closest("[data-copy]");
    if (!button) return;
    const source = document.getElementById(button.dataset.copy);
    const said = document.getElementById(button.dataset.said);
    try {
      await navigator.clipboard.writeText(source.textContent.trim());
      said.textContent = button.dataset.done;
    } catch (problem) {
      getSelection().selectAllChildren(source);
      said.textContent = button.dataset.failed;
    }
  }

  document.addEventListener("submit", keepLink);
  document.addEventListener("submit", once);
  document.addEventListener("click", copy);
  document.addEventListener("input", oneOfTwo);
  document.addEventListener("change", (event) => {
    const form = event.target.closest("form[data-own]");
    if (form) showFollowing(form);
  });
  addEventListener("hashchange", bringLink);
  addEventListener("pageshow", () => {
    document.querySelectorAll("form[aria-busy]").forEach((form) => form.removeAttribute("aria-busy"));
  });
  bringLink();
  document.querySelectorAll("form[data-own]").forEach(showFollowing);
  const summary = document.querySelector("[data-error-summary] h2");
  if (summary) summary.focus();
})();
