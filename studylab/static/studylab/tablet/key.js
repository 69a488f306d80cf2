/* The key that seals what is kept. The server gives it to the person who is signed in; here it can be used but not
   read out. It stays as long as somebody works on the tablet, so that work goes on when the page is loaded anew without
   network: until nobody touched it for the lock time, or half a day after the server's last answer. After that, and
   after signing out, nothing here can be opened until the server gives the key again. */
import { all, empty, read, remove, write } from "./store.js";

const LOCKS_AFTER = 30; // minutes, where the tablet has no lock time of its own
const LONGEST = 12 * 3600 * 1000;

function until(kept, now) {
  return Math.min(now + kept.idle, kept.since + LONGEST);
}

export async function holder() {
  const kept = await read("meta", "key");
  if (!kept) return null;
  const now = Date.now();
  if (now <= kept.until && now >= kept.since - 60000) return kept;
  await remove("meta", "key"); // its time is over, or somebody set the clock back
  return null;
}

// Somebody is there. Called with every touch, so it writes once in a while only.
export async function touched() {
  const kept = await holder();
  if (kept && until(kept, Date.now()) > kept.until + 20000) await write("meta", { ...kept, until: until(kept, Date.now()) });
}

export async function take(hello) {
  const before = await read("meta", "key");
  const others = (await all("sheets")).some((sheet) => sheet.person !== hello.person);
  if (others || (before && before.person !== hello.person)) await empty("sheets");
  const raw = Uint8Array.from(atob(hello.key), (sign) => sign.charCodeAt(0));
  const key = await crypto.subtle.importKey("raw", raw, "AES-GCM", false, ["encrypt", "decrypt"]);
  const kept = { name: "key", person: hello.person, key, named: hello.named, since: Date.now(), idle: (hello.lock_minutes || LOCKS_AFTER) * 60000 };
  // What asks by itself is no touch: the lock time of before goes on.
  const same = before && before.person === hello.person && Date.now() <= before.until && Date.now() >= before.since - 60000;
  kept.until = same ? before.until : until(kept, kept.since);
  await write("meta", kept);
  return kept;
}

export async function seal(key, content) {
  const iv = crypto.getRandomValues(new Uint8Array(12));
  const text = new TextEncoder().encode(JSON.stringify(content));
  return { iv, box: await crypto.subtle.encrypt({ name: "AES-GCM", iv }, key, text) };
}

export async function unseal(key, row) {
  const text = await crypto.subtle.decrypt({ name: "AES-GCM", iv: row.iv }, key, row.box);
  return JSON.parse(new TextDecoder().decode(text));
}

// Everything goes but acts that were not sent: those stay sealed until the person who made them signs in here.
export async function leave() {
  await empty("sheets");
  await empty("meta");
  const names = await caches.keys();
  await Promise.all(names.filter((name) => name.startsWith("studylab-tablet")).map((name) => caches.delete(name)));
  const workers = await navigator.serviceWorker.getRegistrations();
  await Promise.all(workers.map((worker) => worker.unregister()));
  return (await all("outbox")).length;
}
