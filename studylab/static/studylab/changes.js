/* Says politely what is new when a part of a page was fetched anew: the texts of data-change that were not there before.

   The status stands outside of what is replaced, so that screen readers hear it once and only when something changed. */
(function () {
  "use strict";
  const said = document.querySelector("[data-changes-said]");
  if (!said) return;
  const now = () => new Set([...document.querySelectorAll("[data-change]")].map((node) => node.dataset.change));
  let before = now();
  document.addEventListener("htmx:afterSwap", () => {
    const after = now();
    const fresh = [...after].filter((text) => !before.has(text));
    before = after;
    if (fresh.length) said.textContent = fresh.join(". ");
  });
})();
