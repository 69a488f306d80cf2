/* Countdowns and elapsed times by the server's clock.

   <time data-countdown data-until="ISO" data-server-now="ISO" data-label="Wait of SL-0123">due 14:05</time>
     shows "12:34 left", then "due 0:05 ago". When it falls due the element gets the class is-due, a
     "countdown:due" event that bubbles, and, if it has data-label, one announcement.
   <time data-since="ISO" data-server-now="ISO">since 14:05</time>
     shows "12:34" and counts up.

   The tablet's clock may be wrong, and may be set or stand still while a page is open. What counts is the server's
   time as last heard plus the time passed since. Without this script the element keeps the text it came with. */
(function () {
  "use strict";
  // Server time at some moment, and both clocks of this device at that moment.
  let anchor = null;
  const LATENCY_MS = 25000; // longer than any page waits for an answer

  // A device that slept has let the steady clock stand; one whose clock was set has moved the other. The longer counts:
  // ringing too early is put right by the server's next answer, ringing too late by nothing.
  const since = (at) => Math.max(Date.now() - at.wall, performance.now() - at.steady);
  const serverTime = () => (anchor ? anchor.server + since(anchor) : Date.now());

  // What the server says was true when it said so, so it can only be late. Far ahead of it our own clock was set.
  function hear(text, ago) {
    const server = Date.parse(text);
    if (Number.isNaN(server)) return;
    const ahead = anchor ? serverTime() - (server + ago) : -1;
    if (ahead >= 0 && ahead < LATENCY_MS) return;
    anchor = { server, wall: Date.now() - ago, steady: performance.now() - ago };
  }

  function arrivedAgo() {
    const entry = performance.getEntriesByType("navigation")[0];
    return entry && entry.responseStart > 0 ? Math.max(0, performance.now() - entry.responseStart) : 0;
  }

  const heard = new WeakSet();
  function hearAll(ago) {
    document.querySelectorAll("[data-server-now]").forEach((element) => {
      if (heard.has(element)) return;
      heard.add(element);
      hear(element.dataset.serverNow, ago);
    });
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
    if (left > 0) element.classList.remove("is-due"); // the clock was put right meanwhile
    if (left > 0 || element.classList.contains("is-due")) return;
    element.classList.add("is-due");
    element.dispatchEvent(new CustomEvent("countdown:due", { bubbles: true }));
    if (element.dataset.label) announce(element.dataset.label + " is due.");
  }

  function tick() {
    hearAll(0);
    const now = serverTime();
    document.querySelectorAll("[data-countdown], [data-since]").forEach((element) => {
      if (element.hasAttribute("data-countdown")) showLeft(element, now);
      else if (!Number.isNaN(Date.parse(element.dataset.since))) {
        element.textContent = clockFace(Math.max(0, now - Date.parse(element.dataset.since)));
      }
    });
  }

  hearAll(arrivedAgo());
  tick();
  setInterval(tick, 1000);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) tick(); });
  document.addEventListener("htmx:afterSwap", tick);
  document.addEventListener("studylab:unlocked", tick);
  document.addEventListener("studylab:server-now", (event) => { hear(event.detail, 0); tick(); });
})();
