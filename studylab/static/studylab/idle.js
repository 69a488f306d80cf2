/* Tells the server that somebody is typing, warns before a sign-in ends because nobody did anything, and says when it has. */
(function () {
  "use strict";
  const idle = Number(document.body.dataset.idleSeconds) * 1000;
  const url = document.body.dataset.stillUrl;
  if (!idle || !url) return;
  const WARN = Math.min(180000, idle / 2);
  const TELL = Math.min(120000, idle / 4);
  let touched = 0;
  let ends = Date.now() + idle;
  let told = Date.now();
  let box = null;
  let over = false;

  async function ask(active) {
    const token = JSON.parse(document.body.getAttribute("hx-headers"))["X-CSRFToken"];
    told = Date.now();
    try {
      const answer = await fetch(url, { method: "POST", headers: { "X-CSRFToken": token }, body: new URLSearchParams({ active: active ? "1" : "0" }) });
      if (answer.redirected) { end(); return; } // to the sign-in
      if (!answer.ok) return;
      const said = await answer.json();
      if (typeof said.ends_in === "number") ends = Date.now() + said.ends_in * 1000;
    } catch { /* without network nothing changes */ }
  }

  function say(words, act) {
    if (box) box.remove();
    box = document.createElement("div");
    box.className = "notice notice-warning idle-warning";
    box.setAttribute("role", "alert");
    const text = document.createElement("span");
    text.textContent = words;
    box.append(text, " ", act);
    document.getElementById("main").prepend(box);
    box.scrollIntoView({ block: "nearest" });
  }

  function warn() {
    if (box) return;
    const stay = document.createElement("button");
    stay.type = "button";
    stay.className = "btn btn-primary";
    stay.textContent = "Stay signed in";
    stay.addEventListener("click", async () => { await ask(true); look(); });
    say("You are about to be signed out because nobody did anything. What you typed and did not send would be lost.", stay);
  }

  function end() {
    over = true;
    clearInterval(clock);
    const again = document.createElement("a");
    again.className = "btn btn-primary";
    again.href = window.location.href;
    again.textContent = "Sign in again";
    say("You are signed out. Nothing on this page can be sent any more.", again);
  }

  async function look() {
    if (touched > told && Date.now() - told > TELL) await ask(true);
    if (!over && ends - Date.now() < WARN) await ask(touched > told); // another tab may have kept it
    if (over) return;
    if (ends - Date.now() < WARN) { warn(); return; }
    if (box) { box.remove(); box = null; }
  }

  ["pointerdown", "keydown", "input"].forEach((kind) => document.addEventListener(kind, () => { touched = Date.now(); }, { passive: true }));
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
  const clock = setInterval(look, Math.min(30000, idle / 8));
})();
