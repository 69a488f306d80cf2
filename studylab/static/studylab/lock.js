/* The lock of a named tablet. The server decides; this script shows it at once, with or without a network.

   While the screen is locked the page is taken out of the document and kept in this tab's memory only, never in any
   storage: the same person's password brings it back with everything typed in it; a reload, another user or a sign-out
   drops it. Others may listen on document for "studylab:locked" and "studylab:unlocked". */
(function () {
  "use strict";
  const body = document.body;
  const after = Number(body.dataset.lockMinutes) * 60000;
  const screen = document.getElementById("lock-screen");
  if (!after || !screen) return;
  const BEAT_MS = 30000;
  const SLACK_S = 5;
  let wall = Date.now();
  let steady = performance.now();
  let touched = false;
  let sentAt = wall;
  let answeredAt = wall;
  let held = null;

  // A tablet that slept has let the steady clock stand; one whose clock was set has moved the other. The longer counts.
  const idle = () => Math.max(Date.now() - wall, performance.now() - steady);
  function begin(elapsed) {
    wall = Date.now() - elapsed;
    steady = performance.now() - elapsed;
  }
  function touch() {
    if (held) return;
    begin(0);
    touched = true;
  }

  function send(url, fields, more) {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), 6000);
    const token = JSON.parse(body.getAttribute("hx-headers"))["X-CSRFToken"];
    return fetch(url, {
      method: "POST", body: new URLSearchParams(fields), redirect: "manual", signal: stop.signal, cache: "no-store",
      headers: { "X-CSRFToken": token, Accept: "application/json" }, ...more,
    }).finally(() => clearTimeout(timer));
  }

  // Whether the server holds this tablet for locked; null without an answer.
  async function ask(active) {
    sentAt = Date.now();
    touched = false;
    if (active) begin(0);
    try {
      const answer = await send(body.dataset.stillUrl, { active: active ? "1" : "0", device_at: new Date().toISOString() });
      if (answer.type === "opaqueredirect" || answer.status === 403 || answer.status === 410) {
        location.replace("/"); // signed out, or revoked: the next page says so
        return null;
      }
      if (!answer.ok) return null;
      answeredAt = Date.now();
      const told = await answer.json();
      document.dispatchEvent(new CustomEvent("studylab:server-now", { detail: told.now }));
      return told;
    } catch {
      return null;
    }
  }

  function lock() {
    if (held) return;
    const page = document.createDocumentFragment();
    held = { page, title: document.title, url: location.href, top: window.scrollY };
    [...body.children].filter((one) => !one.matches("script, template")).forEach((one) => page.append(one));
    const main = document.createElement("main");
    main.id = "main";
    main.append(screen.content.cloneNode(true));
    body.prepend(main);
    document.title = "Locked – Studylab";
    history.replaceState(history.state, "", body.dataset.lockUrl); // an address can hold a code
    if (window.htmx) window.htmx.process(main);
    const head = main.querySelector("h1");
    head.tabIndex = -1;
    head.focus();
    document.dispatchEvent(new CustomEvent("studylab:locked"));
    const worker = navigator.serviceWorker && navigator.serviceWorker.controller;
    if (worker) worker.postMessage({ type: "studylab:locked" });
  }

  function restore(elapsed) {
    if (!held) return;
    const { page, title, url, top } = held;
    held = null;
    document.getElementById("main").remove();
    body.prepend(page);
    document.title = title;
    history.replaceState(history.state, "", url);
    window.scrollTo(0, top);
    begin(elapsed);
    // What asks again and again stopped asking while it was out of the document.
    body.querySelectorAll('[hx-trigger*="every"]').forEach((old) => {
      const fresh = old.cloneNode(true);
      old.replaceWith(fresh);
      if (window.htmx) window.htmx.process(fresh);
    });
    document.dispatchEvent(new CustomEvent("studylab:unlocked"));
  }

  function lockHere() {
    const page = new URL(location.href);
    lock();
    send(body.dataset.lockNowUrl, { next: page.pathname }, { keepalive: true }).catch(() => {});
  }

  // Locked first, asked afterwards: another page of the same person may have been used meanwhile.
  async function lockUnlessUsed() {
    lock();
    const told = await ask(false);
    if (told && told.locks_in > SLACK_S) restore(after - told.locks_in * 1000);
    else if (told) send(body.dataset.lockNowUrl, { next: new URL(held ? held.url : location.href).pathname }).catch(() => {});
  }

  function look() {
    if (held) return;
    if (idle() >= after) lockUnlessUsed();
    else if (touched && Date.now() - sentAt >= BEAT_MS) ask(true).then((told) => { if (told && told.locks_in === 0) lock(); });
  }

  async function unlock(event) {
    event.preventDefault();
    const form = event.target;
    const said = form.querySelector("[data-unlock-said]");
    const password = form.querySelector("input[type=password]");
    said.hidden = true;
    let words = "";
    try {
      const answer = await send(form.action, { password: password.value });
      if (answer.status === 204) { restore(0); return; }
      if (answer.type === "opaqueredirect" || answer.status === 403 || answer.status === 410) { location.replace("/"); return; }
      words = (await answer.json()).said;
    } catch {
      words = "No answer from the site. This tablet stays locked until the site has seen your password: try again.";
    }
    password.value = "";
    form.removeAttribute("aria-busy");
    said.textContent = words;
    said.hidden = false;
  }

  function say(text) {
    const box = document.getElementById("messages");
    if (!box) return;
    const notice = document.createElement("div");
    notice.className = "notice notice-error";
    notice.textContent = text;
    box.replaceChildren(notice);
    notice.scrollIntoView({ block: "nearest" });
  }

  // A form that the server would refuse for being locked never leaves the page, so nothing typed is lost.
  function guard(event) {
    const form = event.target;
    if (form.matches("[data-unlock]")) { event.stopImmediatePropagation(); unlock(event); return; }
    if (form.matches("[data-lock-now]")) { event.preventDefault(); event.stopImmediatePropagation(); lockHere(); return; }
    if (held || form.matches(".site-leave") || Date.now() - answeredAt < after * 0.8) return;
    const by = event.submitter;
    event.preventDefault();
    event.stopImmediatePropagation();
    ask(true).then((told) => {
      if (!told) say("Not sent: no answer from the site. What you typed is still here; try again.");
      else if (told.locks_in > 0) form.requestSubmit(by);
      else lock();
    });
  }

  ["pointerdown", "keydown", "input", "wheel", "touchmove"].forEach((name) =>
    document.addEventListener(name, touch, { passive: true, capture: true }));
  document.addEventListener("submit", guard, true);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
  window.addEventListener("pageshow", look);
  document.addEventListener("htmx:beforeSwap", (event) => {
    if (event.detail.xhr.status === 423) { event.detail.shouldSwap = false; event.detail.isError = false; lock(); }
  });
  setInterval(look, 5000);
  const measured = Number(sessionStorage.getItem("studylab-measured") || 0);
  if (Math.abs(Date.now() - measured) > 600000) {
    sessionStorage.setItem("studylab-measured", String(Date.now()));
    ask(true);
  }
})();
