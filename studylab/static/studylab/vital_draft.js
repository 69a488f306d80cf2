/* Keeps a half-typed set of readings on the server while somebody types. The page works without it. */
(function () {
  "use strict";
  const form = document.querySelector("form[data-draft-url]");
  if (!form) return;
  const said = form.querySelector("[data-draft-said]");
  const QUIET_MS = 1200;
  const AGAIN_MS = 5000;
  let timer = 0;
  let dirty = false;
  let known = form.dataset.draft || "";
  let over = false;

  function say(text, bad) {
    said.textContent = text;
    said.hidden = text === "";
    said.classList.toggle("draft-lost", Boolean(bad));
  }
  function body() {
    const data = new FormData(form);
    data.delete("form_key"); // that one belongs to recording the set
    data.set("draft_do", "keep");
    data.set("draft", known);
    return data;
  }
  function later(wait) {
    clearTimeout(timer);
    timer = setTimeout(keep, wait);
  }
  async function keep() {
    clearTimeout(timer);
    if (!dirty || over) return;
    dirty = false;
    try {
      const answer = await fetch(form.dataset.draftUrl, { method: "POST", body: body(), keepalive: true, redirect: "error" });
      const told = await answer.json();
      if (answer.ok) known = told.draft;
      else if (answer.status < 500) over = true; // taken over, or recorded elsewhere: typing on keeps nothing
      if (answer.status >= 500) throw new Error("not kept");
      say(told.said, !answer.ok);
    } catch {
      dirty = true;
      say("Not kept on the server: what you type is only on this page. Trying again.", true);
      later(AGAIN_MS);
    }
  }
  const typed = () => { dirty = true; later(QUIET_MS); };
  form.addEventListener("input", typed);
  form.addEventListener("change", typed);
  document.addEventListener("visibilitychange", () => { if (document.visibilityState === "hidden") keep(); });
  window.addEventListener("pagehide", keep);
  form.addEventListener("submit", (event) => { if (!event.defaultPrevented) { over = true; clearTimeout(timer); } });
})();
