/* On the server's own pages: takes the run sheet onto the tablet, keeps each entry there before it is sent, and sends
   what was kept before. Without this the forms work as they are; they then need the network. */
import { countNotice } from "./outbox_view.js";
import { make, typing } from "./dom.js";
import { holder as kept, leave, seal, touched } from "./key.js";
import { counts, drop, keep } from "./outbox.js";
import { ringsOf } from "./ring.js";
import { Away, Gone, Locked, SignedOut, flush, hello } from "./sending.js";
import { entered } from "./step_view.js";
import { all, empty, remove, supported, write } from "./store.js";

const here = document.querySelector("[data-tablet]");
const { base, visit, person } = here ? here.dataset : {};
const EVERY = 30000;
const A_DAY = 24 * 3600 * 1000;
let holder = null;
let ready = null;
let keeps = false; // only a tablet that the lab named keeps anything; another browser at most still has old acts to send

async function tell(words) {
  if (!holder) return;
  const count = await counts(holder.person);
  const parts = [countNotice(count, words)];
  if (count.refused) parts.push(make("p", {}, make("a", { class: "big-link", href: base + "visits/" + count.visit + "/?kept" }, "Look at what the server did not take")));
  here.replaceChildren(...parts.filter(Boolean));
  here.hidden = !here.firstChild;
}

async function takeSheet() {
  const met = await hello(base, visit);
  holder = met.holder;
  keeps = met.named;
  if (!keeps) await empty("sheets");
  for (const row of await all("sheets")) if (Date.now() - row.at > A_DAY) await remove("sheets", row.visit);
  if (!visit || !met.sheet) return;
  if (met.sheet.running) await write("sheets", { visit, person: met.person, at: Date.now(), rings: ringsOf(met.sheet, met.sheet.steps), ...(await seal(holder.key, { ...met.sheet, made_at: met.now })) });
  else await remove("sheets", visit);
}

async function sendKept() {
  try {
    const { answers } = await flush(base);
    await tell("");
    if ([...answers.values()].some((answer) => answer.status === 200) && !typing()) location.reload();
  } catch (problem) {
    await failed(problem);
  }
}

async function failed(problem) {
  if (problem instanceof Gone) { await leave(); holder = null; }
  else if (problem instanceof Away || problem instanceof SignedOut) await tell("They are sent by themselves.");
  else throw problem;
}

// Kept first, then sent: whatever happens to page, tablet or network afterwards, the entry is there.
async function onStep(event) {
  const form = event.target.closest("form[data-step]");
  if (!form || event.defaultPrevented) return;
  event.preventDefault();
  if (form.getAttribute("aria-busy") === "true") return;
  form.setAttribute("aria-busy", "true");
  await ready;
  if (!holder || !keeps) return form.submit(); // this tablet keeps nothing yet
  const { csrfmiddlewaretoken, form_key, device_at, ...fields } = { act: "record", ...entered(form) };
  const values = ["identifiers", "document", "value"].flatMap((name) => fields[name] || []).join(", ");
  const words = values ? (values + " " + (form.dataset.unit || "")).trim() : "done";
  let act;
  try {
    act = await keep(holder, { base, visit, step: form.dataset.step, short: form.dataset.short, fields, words });
  } catch {
    return form.submit(); // the store is shut: the network has to do
  }
  try {
    const { answers } = await flush(base);
    const answer = answers.get(act.id);
    if (answer && answer.status !== 200) { // the server's own page says best what is wrong; nothing was recorded
      await drop(act);
      return form.submit();
    }
    if (!answer) return location.assign(location.pathname + "?kept"); // something before it waits for a decision
    location.hash = "now";
    location.reload();
  } catch (problem) {
    if (problem instanceof Locked) location.assign(base + "visits/" + visit + "/"); // where it is unlocked
    else if (problem instanceof SignedOut) location.assign("/sign-in/?next=" + encodeURIComponent(base + "visits/" + visit + "/"));
    else location.assign(base + "visits/" + visit + "/?kept");
  }
}

// The key of before is there at once; a page that is pressed before the server answered needs it.
async function localKey() {
  const before = await kept();
  if (!before || before.person !== person) return;
  holder = before;
  keeps = before.named;
}

async function begin() {
  ready = localKey().catch(() => {});
  for (const sign of ["pointerdown", "keydown"]) document.addEventListener(sign, () => { touched(); }, { passive: true });
  document.addEventListener("submit", onStep, true);
  for (const scope of ["visits/", "today/"]) {
    navigator.serviceWorker.register(base + "tablet-worker.js", { scope: base + scope }).catch(() => {});
  }
  try { await takeSheet(); } catch (problem) { await failed(problem); }
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist();
  await tell("");
  if (holder && (await counts(holder.person)).own) await sendKept();
  const again = async () => { if (holder && (await counts(holder.person)).own) await sendKept(); };
  setInterval(again, EVERY);
  window.addEventListener("online", again);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) again(); });
}

if (here && supported()) begin();
