/* Rings for what countdown.js says is due: <time data-countdown data-ring="target"> or "latest", inside
   [data-bell="its name"], inside [data-bell-row] with the button [data-heard].

   A browser makes sound only after a tap on the page; until then the bar says plainly that nothing will be heard. What
   was heard is remembered by this tab alone, under the bell's own name. */
(function () {
  "use strict";
  const EVERY_MS = 4000;
  const bar = document.getElementById("bell");
  let sound = null;
  let wake = null;
  let rang = 0;

  const wished = () => sessionStorage.getItem("studylab-bell") === "on";
  const armed = () => wished() && sound !== null && sound.state === "running";

  function tone(times, pitch, loudness) {
    if (!armed()) return;
    for (let i = 0; i < times; i += 1) {
      const at = sound.currentTime + i * 0.35;
      const voice = sound.createOscillator();
      const level = sound.createGain();
      voice.type = "square";
      voice.frequency.value = pitch;
      level.gain.setValueAtTime(0, at);
      level.gain.linearRampToValueAtTime(loudness, at + 0.02);
      level.gain.setValueAtTime(loudness, at + 0.22);
      level.gain.linearRampToValueAtTime(0, at + 0.26);
      voice.connect(level).connect(sound.destination);
      voice.start(at);
      voice.stop(at + 0.28);
    }
  }
  function buzz(pattern) {
    if (wished() && navigator.vibrate) navigator.vibrate(pattern);
  }

  function say() {
    if (!bar) return;
    const on = wished();
    bar.querySelector("[data-bell-on]").hidden = armed();
    bar.querySelector("[data-bell-off]").hidden = !on;
    let words = "Sound is off: this page does not ring before you press “Alarm on”.";
    if (on) words = armed() ? "Alarm is on." : "Sound is not armed on this page yet: tap anywhere.";
    if (on && !("AudioContext" in window)) words = "This browser makes no sound: watch the times.";
    if (on && !navigator.vibrate) words += " It cannot vibrate here.";
    bar.querySelector("[data-bell-sound]").textContent = words;
    let screen = "The screen may sleep, and a sleeping tablet does not ring.";
    if (wake) screen = "The screen stays on while this page is open.";
    else if (on) screen += " Set its automatic lock to “never”.";
    bar.querySelector("[data-bell-screen]").textContent = screen;
  }

  async function keepAwake() {
    if (!("wakeLock" in navigator) || wake || !wished() || document.hidden) return;
    try {
      wake = await navigator.wakeLock.request("screen");
      wake.addEventListener("release", () => { wake = null; say(); });
    } catch {
      wake = null; // refused, for example on a low battery: the bar says that the screen may sleep
    }
    say();
  }

  async function arm() {
    if (!wished()) return;
    try {
      if (!sound && "AudioContext" in window) {
        sound = new AudioContext();
        sound.addEventListener("statechange", say);
      }
      if (sound && sound.state !== "running") await sound.resume();
    } catch {
      sound = null;
    }
    keepAwake();
    say();
  }

  const known = (time) => time.closest("[data-bell]").dataset.bell + ":" + time.dataset.ring;
  const heard = () => JSON.parse(sessionStorage.getItem("studylab-heard") || "[]");

  function ringing() {
    const quiet = new Set(heard());
    return [...document.querySelectorAll("[data-ring].is-due")].filter((one) => !quiet.has(known(one)));
  }

  function look() {
    const now = ringing();
    document.querySelectorAll("[data-bell-row]").forEach((row) => {
      const rings = now.some((one) => row.contains(one));
      row.classList.toggle("bell-rings", rings);
      row.querySelector("[data-heard]").hidden = !rings;
    });
    if (bar) {
      bar.classList.toggle("bell-bar-rings", now.length > 0);
      bar.hidden = !bar.querySelector("[data-bell]") && !document.getElementById("today-rows") && !wished();
    }
    if (!now.length) { rang = 0; return; }
    if (Date.now() - rang < EVERY_MS && Date.now() >= rang) return;
    rang = Date.now();
    if (now.some((one) => one.dataset.ring === "latest")) { tone(4, 1320, 0.9); buzz([500, 150, 500, 150, 500]); }
    else { tone(2, 880, 0.3); buzz([250, 120, 250]); }
  }

  document.addEventListener("click", (event) => {
    if (event.target.closest("[data-bell-on]")) {
      sessionStorage.setItem("studylab-bell", "on");
      arm().then(() => { tone(1, 880, 0.3); buzz([150]); });
    } else if (event.target.closest("[data-bell-off]")) {
      sessionStorage.setItem("studylab-bell", "off");
      if (wake) wake.release();
      say();
    } else if (event.target.closest("[data-heard]")) {
      const row = event.target.closest("[data-bell-row]");
      const names = [...row.querySelectorAll("[data-ring].is-due")].map(known);
      sessionStorage.setItem("studylab-heard", JSON.stringify([...heard(), ...names].slice(-200)));
      look();
    }
  });
  document.addEventListener("pointerdown", () => { if (wished() && !armed()) arm(); }, { passive: true });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { arm(); look(); } });
  document.addEventListener("htmx:afterSwap", look);
  document.addEventListener("countdown:due", look);
  setInterval(look, 1000);
  arm();
  say();
  look();
})();
