/* Help beside the page: the link in the header and the key "?" open it in a panel, so that nothing typed is lost.
   Without this script, or without an answer, the link leads to the page of the help. */
(function () {
  "use strict";
  const link = document.querySelector("[data-help]");
  if (!link || !window.htmx || !window.HTMLDialogElement) return;
  const panel = document.createElement("dialog");
  panel.className = "help-panel no-print";
  panel.setAttribute("aria-labelledby", "help-title");
  const top = document.createElement("div");
  top.className = "help-panel-top";
  const close = document.createElement("button");
  close.type = "button";
  close.className = "btn btn-secondary";
  close.textContent = "Close help";
  close.addEventListener("click", () => panel.close());
  const body = document.createElement("div");
  body.className = "help-panel-body";
  top.append(close);
  panel.append(top, body);
  document.body.append(panel);

  function show(url) {
    return window.htmx.ajax("GET", url, { target: body, source: body });
  }

  // A sign-in page or a locked tablet answers otherwise; then the way is that of the link.
  body.addEventListener("htmx:afterSwap", () => {
    const head = body.querySelector("[data-help-part] h1");
    if (!head) { location.assign(link.href); return; }
    if (!panel.open) panel.showModal();
    panel.scrollTop = 0;
    head.focus();
  });
  for (const name of ["htmx:sendError", "htmx:timeout", "htmx:responseError"]) {
    body.addEventListener(name, () => { if (panel.open) panel.close(); });
  }

  link.addEventListener("click", (event) => {
    if (event.ctrlKey || event.metaKey || event.shiftKey || event.altKey || event.button) return;
    event.preventDefault();
    show(link.href);
  });
  body.addEventListener("click", (event) => {
    const inside = event.target.closest("a");
    if (!inside || inside.matches("[data-leaves-help]") || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    show(inside.href);
  });
  body.addEventListener("submit", (event) => {
    event.preventDefault();
    event.stopPropagation();
    const form = event.target;
    show(form.action + "?" + new URLSearchParams(new FormData(form)));
  });
  panel.addEventListener("click", (event) => { if (event.target === panel) panel.close(); });
  document.addEventListener("keydown", (event) => {
    if (event.key !== "?" || event.ctrlKey || event.metaKey || event.altKey || panel.open || !link.isConnected) return;
    if (event.target.closest("input, select, textarea, [contenteditable]")) return;
    event.preventDefault();
    show(link.href);
  });
  document.addEventListener("studylab:locked", () => { if (panel.open) panel.close(); });
})();
