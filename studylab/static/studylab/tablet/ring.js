/* What rings on the page without network, also while the tablet is locked: instants by the server's clock and nothing
   else, so a locked page can tell that something has rung and never for whom or what. A touch silences what rang. */
import { serverNow } from "./clock.js";

const EVERY = 4000;
const HEARD = "studylab-rung-heard";
let sound = null;
let rang = 0;

// Kept beside the sealed run sheet: ends of timers, of the wait, and when somebody may leave.
export function ringsOf(sheet, steps) {
  return [...steps.map((step) => step.until), sheet.wait && sheet.wait.due, sheet.leave].filter(Boolean);
}

export function rung(rows) {
  const now = serverNow();
  const times = rows.flatMap((row) => row.rings || []).map((text) => new Date(text)).sort((a, b) => a - b);
  return { due: times.filter((at) => at <= now), next: times.find((at) => at > now) };
}

function tone() {
  for (let i = 0; i < 2; i += 1) {
    const at = sound.currentTime + i * 0.35;
    const voice = sound.createOscillator();
    voice.type = "square";
    voice.frequency.value = 880;
    voice.connect(sound.destination);
    voice.start(at);
    voice.stop(at + 0.26);
  }
}

export function ring(due) {
  const heard = Number(sessionStorage.getItem(HEARD) || 0);
  if (!due.some((at) => at.getTime() > heard) || Math.abs(Date.now() - rang) < EVERY) return;
  rang = Date.now();
  if (sound && sound.state === "running") tone();
  if (navigator.vibrate && navigator.userActivation && navigator.userActivation.hasBeenActive) navigator.vibrate([250, 120, 250]);
}

// A browser makes sound only after a touch of the page, so the first one arms the bell.
export function heard() {
  sessionStorage.setItem(HEARD, String(serverNow().getTime()));
  if (!("AudioContext" in window)) return;
  sound = sound || new AudioContext();
  if (sound.state !== "running") sound.resume();
}

export const silent = () => !sound || sound.state !== "running";
