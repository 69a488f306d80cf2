/* What every page does by itself. Pages work without any of it. */
(function () {
  "use strict";
  const narrow = window.matchMedia("(max-width: 62rem)");

  function focusErrors(root) {
    const summary = root.querySelector("[data-error-summary] h2");
    if (summary) summary.focus();
  }

  // A link of the summary leads into its field; for a group of choices to the first of them.
  function followErrorLink(event) {
    const link = event.target.closest("[data-error-summary] a");
    if (!link) return;
    const id = decodeURIComponent(link.hash.slice(1));
    const field = document.getElementById(id) || document.getElementById("div_" + id.replace(/_0$/, ""));
    if (!field) return;
    event.preventDefault();
    const inside = field.matches("input, select, textarea, button") ? field : field.querySelector("input, select, textarea");
    (inside || field).focus();
    (document.getElementById("div_" + id.replace(/_0$/, "")) || field).scrollIntoView({ block: "center" });
  }

  // For looks only: what keeps a form from being written twice is its one-time key.
  function markBusy(event) {
    const form = event.target;
    if (event.defaultPrevented || !form.matches("form")) return;
    if (form.getAttribute("aria-busy") === "true") { event.preventDefault(); return; }
    form.setAttribute("aria-busy", "true");
    delete form.dataset.dirty;
    if (form.matches(".site-leave, .site-leave-lock")) sessionStorage.clear(); // shared tablets keep no trace of pages
    setTimeout(() => form.removeAttribute("aria-busy"), 10000);
  }

  function freeForms() {
    document.querySelectorAll("form[aria-busy]").forEach((form) => form.removeAttribute("aria-busy"));
  }

  function markDirty(event) {
    const form = event.target.closest("form[data-guard]");
    if (form) form.dataset.dirty = "yes";
  }

  function guardLeaving(event) {
    if (document.querySelector("form[data-guard][data-dirty]")) event.preventDefault();
  }

  function tell(text) {
    const box = document.getElementById("messages");
    if (!box) return;
    const notice = document.createElement("div");
    notice.className = "notice notice-error";
    notice.textContent = text;
    box.replaceChildren(notice);
    notice.scrollIntoView({ block: "nearest" });
  }

  // A table too wide for a phone or tablet is shown row by row there, each value under the name of its column
  // (app.css). The roles keep it a table for screen readers, whatever CSS makes of it.
  function stackTable(table) {
    const heads = [...table.querySelectorAll("thead tr:last-child > *")].map((cell) => cell.textContent.trim());
    if (!heads.length || table.matches(".stacks, .readings") || table.querySelector("tbody [rowspan], tbody [colspan]")) return;
    table.setAttribute("role", "table");
    table.querySelectorAll("thead, tbody").forEach((part) => part.setAttribute("role", "rowgroup"));
    table.querySelectorAll("tr").forEach((row) => {
      row.setAttribute("role", "row");
      [...row.children].forEach((cell, column) => {
        const role = cell.tagName === "TD" ? "cell" : cell.scope === "row" ? "rowheader" : "columnheader";
        cell.setAttribute("role", role);
        if (role !== "columnheader") cell.dataset.label = heads[column] || "";
      });
    });
    table.classList.add("stacks");
  }

  // The heading a table stands under, and which table under it this is: regions need names of their own.
  function nameOf(wrap) {
    const before = [...document.querySelectorAll("h1, h2, h3, summary, .table-wrap")];
    const place = before.indexOf(wrap);
    const heads = before.slice(0, place).filter((one) => !one.matches(".table-wrap"));
    const head = heads[heads.length - 1];
    const nth = before.slice(head ? before.indexOf(head) : 0, place).filter((one) => one.matches(".table-wrap")).length + 1;
    return (head ? head.textContent.trim() : "Table") + (nth > 1 ? ", table " + nth : "");
  }

  // A table that scrolls can be scrolled by keyboard too.
  function reachTables() {
    document.querySelectorAll(".table-wrap").forEach((wrap) => {
      const table = wrap.querySelector("table");
      if (table && wrap.scrollWidth > wrap.clientWidth && narrow.matches) stackTable(table);
      if (wrap.scrollWidth <= wrap.clientWidth) {
        wrap.removeAttribute("tabindex");
        if (wrap.dataset.named) ["role", "aria-label", "data-named"].forEach((name) => wrap.removeAttribute(name));
        return;
      }
      wrap.tabIndex = 0;
      if (wrap.hasAttribute("aria-label")) return;
      const caption = wrap.querySelector("caption");
      wrap.dataset.named = "yes";
      wrap.setAttribute("role", "region");
      wrap.setAttribute("aria-label", caption ? caption.textContent.trim() : nameOf(wrap) + ", scrolls sideways");
    });
  }

  // Reloading a page that answers a form looks anew; the browser does not send the form once more.
  function neverSendAgain() {
    if (document.body.hasAttribute("data-answers-form")) history.replaceState(null, "", location.href);
  }

  neverSendAgain();
  document.addEventListener("click", followErrorLink);
  document.addEventListener("click", (event) => {
    if (event.target.closest("[data-print]")) window.print();
  });
  document.addEventListener("submit", markBusy);
  document.addEventListener("input", markDirty);
  document.addEventListener("change", markDirty);
  window.addEventListener("beforeunload", guardLeaving);
  window.addEventListener("pageshow", freeForms);
  document.addEventListener("htmx:afterRequest", freeForms);
  document.addEventListener("htmx:afterSwap", (event) => focusErrors(event.detail.target));
  // Some refusals carry their own words for the message area; everything else is said here.
  document.addEventListener("htmx:beforeSwap", (event) => {
    const answer = event.detail.xhr;
    if (answer.status >= 400 && answer.getResponseHeader("HX-Retarget")) {
      event.detail.shouldSwap = true;
      event.detail.isError = false;
    }
  });
  document.addEventListener("htmx:responseError", (event) =>
    tell("Not done: the site answered " + event.detail.xhr.status + ". Load the page again and look whether your last entry is there."));
  for (const name of ["htmx:sendError", "htmx:timeout"]) {
    document.addEventListener(name, () =>
      tell("No answer from the site. Check the network, load the page again, and look whether your last entry is there."));
  }
  document.addEventListener("htmx:afterSwap", reachTables);
  window.addEventListener("resize", reachTables);
  reachTables();
  focusErrors(document);
})();
