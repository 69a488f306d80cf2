/* Keys for the sign-off queue and page; both work without it. Nothing is decided by a key alone: it only ticks. */
(function () {
  "use strict";

  function typing(event) {
    return event.ctrlKey || event.metaKey || event.altKey
      || event.target.matches("input:not([type=radio]):not([type=checkbox]), textarea, select");
  }
  function step(list, now, by) {
    return list[Math.min(list.length - 1, Math.max(0, now + by))];
  }

  const rows = Array.from(document.querySelectorAll("[data-moves] [data-move]"));
  const items = Array.from(document.querySelectorAll("[data-item]"));
  let at = -1;

  function toItem(by) {
    if (!items.length) return;
    at = Math.min(items.length - 1, Math.max(0, at + by));
    items[at].focus({ preventScroll: true });
    items[at].scrollIntoView({ block: "nearest" });
  }
  function choose(number) {
    const inside = document.activeElement.closest("[data-item]");
    const choice = inside && inside.querySelectorAll("input[type=radio]")[number - 1];
    if (!choice) return;
    choice.checked = true;
    choice.dispatchEvent(new Event("change", { bubbles: true }));
    inside.querySelector("textarea").focus();
  }

  document.addEventListener("keydown", (event) => {
    if (typing(event)) return;
    const key = event.key;
    if (rows.length && (key === "j" || key === "k")) {
      step(rows, rows.indexOf(document.activeElement), key === "j" ? 1 : -1).focus();
    } else if (key === "n" || key === "p") {
      toItem(key === "n" ? 1 : -1);
    } else if (key === "1" || key === "2") {
      choose(Number(key));
    } else if (key === "s" && document.getElementById("decide")) {
      document.querySelector("#decide input[type=radio]").focus();
    } else {
      return;
    }
    event.preventDefault();
  });
  items.forEach((item, number) => item.addEventListener("focusin", () => { at = number; }));

  /* What is needed and from whom: only with that decision, or where something is written. */
  const part = document.querySelector("[data-only-if]");
  if (part) {
    const form = part.closest("form");
    const look = () => {
      const chosen = form.querySelector("input[name=decision]:checked");
      const written = Array.from(part.querySelectorAll("input, select")).some((field) => field.value !== "");
      part.hidden = !(chosen && chosen.value === part.dataset.onlyIf) && !written && !part.querySelector(".invalid-feedback");
    };
    form.addEventListener("change", look);
    look();
  }
})();
