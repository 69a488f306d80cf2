/* Answers for run sheets and Today while the server does not: with one page that holds nobody's data. It keeps that
   page and its files, and nothing else that passes through it. SHELL, FILES and KEPT come from the address it has. */
const PATIENCE = 8000;

async function fill() {
  const cache = await caches.open(KEPT);
  await Promise.all([SHELL, ...FILES].map(async (url) => {
    const answer = await fetch(url, { cache: "no-cache", credentials: "same-origin" });
    // A page that led elsewhere (to the sign-in) is not the page, and Safari would refuse it later.
    if (answer.status !== 200 || answer.redirected) throw new Error(url + " is not to be had.");
    await cache.put(url, answer);
  }));
}

async function tidy() {
  const names = await caches.keys();
  await Promise.all(names.filter((name) => name.startsWith("studylab-tablet") && name !== KEPT).map((name) => caches.delete(name)));
  await self.clients.claim();
}

function late() {
  return new Promise((_, refuse) => setTimeout(() => refuse(new Error("late")), PATIENCE));
}

async function kept(url) {
  const cache = await caches.open(KEPT);
  return cache.match(url);
}

async function page(request, asked) {
  if (asked.searchParams.has("kept")) return (await kept(SHELL)) || fetch(request);
  try {
    return await Promise.race([fetch(request), late()]);
  } catch (problem) {
    const shell = await kept(SHELL);
    if (shell) return shell;
    throw problem;
  }
}

async function file(request, path) {
  return (await kept(path)) || fetch(request);
}

self.addEventListener("install", (event) => event.waitUntil(fill()));
self.addEventListener("activate", (event) => event.waitUntil(tidy()));
self.addEventListener("fetch", (event) => {
  const asked = new URL(event.request.url);
  if (event.request.method !== "GET" || asked.origin !== self.location.origin) return;
  if (event.request.mode === "navigate") event.respondWith(page(event.request, asked));
  else if (FILES.includes(asked.pathname)) event.respondWith(file(event.request, asked.pathname));
});
