/* The run sheet: the tablet's own time goes along with each act, and what waits for a moment changes when it
   comes. Pages work without this script: the server judges every time by its own clock. */
(function () {
  "use strict";

  function tellDeviceTime(event) {
    const field = event.target.querySelector("[data-device-at]");
    if (field) field.value = new Date().toISOString();
  }

  // Elements marked data-before="x" give way to those marked data-after="x" when the countdown that
  // data-turns="x" falls due. One that is both waits for its own end as well.
  function turn(event) {
    const key = event.target.dataset.turns;
    if (!key) return;
    document.querySelectorAll('[data-after="' + key + '"]').forEach((part) => { part.hidden = false; });
    document.querySelectorAll('[data-before="' + key + '"]').forEach((part) => { part.hidden = true; });
    const panel = event.target.closest("[data-wait]");
    if (panel) {
      panel.classList.remove("wait-waiting", "wait-due");
      panel.classList.add(key === "latest" ? "wait-late" : "wait-due");
    }
  }

  let opened = [];
  function openForPaper() {
    opened = [...document.querySelectorAll("details:not([open])")];
    opened.forEach((part) => { part.open = true; });
  }

  document.addEventListener("submit", tellDeviceTime, true);
  document.addEventListener("countdown:due", turn);
  // What fell due while the page was on its way told so before this script listened.
  document.querySelectorAll(".is-due[data-turns]").forEach((element) => turn({ target: element }));
  window.addEventListener("beforeprint", openForPaper);
  window.addEventListener("afterprint", () => { opened.forEach((part) => { part.open = false; }); });
})();
