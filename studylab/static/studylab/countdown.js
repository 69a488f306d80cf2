/* Countdowns and elapsed times by the server's clock.

   <time data-countdown data-until="ISO" data-server-now="ISO" data-label="Wait of SL-0123">due 14:05</time>
     shows "12:34 left", then "due 0:05 ago". When it falls due the element gets the class is-due, a
     "countdown:due" event that bubbles, and, if it has data-label, one announcement.
   <time data-since="ISO" data-server-now="ISO">since 14:05</time>
     shows "12:34" and counts up.

   The tablet's clock may be wrong. What counts is server time at the moment the page came plus the time
   passed since. Without this script the element keeps the text it came with. */
(function () {
  "use strict";
  const offsets = new WeakMap();

  function arrival() {
    const entry = performance.getEntriesByType("navigation")[0];
    return entry && entry.responseStart > 0 ? performance.timeOrigin + entry.responseStart : Date.now();
  }

  function adopt(element, seenAt) {
    if (offsets.has(element)) return;
    const serverNow = Date.parse(element.dataset.serverNow);
    offsets.set(element, Number.isNaN(serverNow) ? 0 : serverNow - seenAt);
  }

  function clockFace(milliseconds) {
    const seconds = Math.floor(Math.abs(milliseconds) / 1000);
    const two = (number) => String(number).padStart(2, "0");
    const hours = Math.floor(seconds / 3600);
    const minutes = Math.floor((seconds % 3600) / 60);
    return hours ? hours + ":" + two(minutes) + ":" + two(seconds % 60) : minutes + ":" + two(seconds % 60);
  }

  function announce(text) {
    let box = document.getElementById("countdown-said");
    if (!box) {
      box = document.createElement("div");
      box.id = "countdown-said";
      box.className = "visually-hidden";
      box.setAttribute("role", "status");
      (document.querySelector("main") || document.body).append(box);
    }
    box.textContent = text;
  }

  function showLeft(element, now) {
    const left = Date.parse(element.dataset.until) - now;
    if (Number.isNaN(left)) return;
    // Never "0:00 left": a wait counts as over only when all of it has passed.
    element.textContent = left > 0 ? clockFace(left + 999) + " left" : "due " + clockFace(left) + " ago";
    if (left > 0 || element.classList.contains("is-due")) return;
    element.classList.add("is-due");
    element.dispatchEvent(new CustomEvent("countdown:due", { bubbles: true }));
    if (element.dataset.label) announce(element.dataset.label + " is due.");
  }

  function tick() {
    document.querySelectorAll("[data-countdown], [data-since]").forEach((element) => {
      adopt(element, Date.now());
      const now = Date.now() + offsets.get(element);
      if (element.hasAttribute("data-countdown")) showLeft(element, now);
      else if (!Number.isNaN(Date.parse(element.dataset.since))) {
        element.textContent = clockFace(Math.max(0, now - Date.parse(element.dataset.since)));
      }
    });
  }

  const cameAt = arrival();
  document.querySelectorAll("[data-countdown], [data-since]").forEach((element) => adopt(element, cameAt));
  tick();
  setInterval(tick, 1000);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) tick(); });
  document.addEventListener("htmx:afterSwap", tick);
})();
