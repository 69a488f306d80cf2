/* The page that the tablet shows without network. Its address is the page that was asked for: a run sheet that was
   opened on this tablet, Today, or something that needs the server. Back to the server's page as soon as it answers. */
import { compared, serverNow } from "./clock.js";
import { clockTime, make, refill, state, times, typing } from "./dom.js";
import { holder, leave, touched, unseal } from "./key.js";
import { change, counts, drop, keep, mine } from "./outbox.js";
import { countNotice, refusal } from "./outbox_view.js";
import { heard, ring, ringsOf, rung, silent } from "./ring.js";
import { Gone, Locked, SignedOut, flush } from "./sending.js";
import { said } from "./step_view.js";
import { nextStep, sheetView, stepsNow } from "./sheet_view.js";
import { all, read, write } from "./store.js";
import { saveBox } from "./unsent_file.js";

const main = document.querySelector("main");
const base = document.body.dataset.base;
const path = location.pathname.slice(base.length);
const visit = (path.match(/^visits\/([0-9a-f-]{36})\/$/) || [])[1] || "";
const TRY_EVERY = 10000;
let note = "";
let shown = "";

async function show(again) {
  const person = await holder();
  const rings = rung(await all("sheets"));
  ring(rings.due);
  if (!person) return locked(rings);
  const count = await counts(person.person);
  const acts = await mine(person);
  if (!visit) return other(person, count);
  const row = await read("sheets", visit);
  const sheet = row && row.person === person.person ? await unseal(person.key, row) : null;
  if (!sheet) return say("No network", "This run sheet was not opened on this tablet, so it is not here. " +
    "Go on with the printed visit pack, and enter it when there is network.");
  const own = acts.filter((act) => act.visit === visit);
  const refused = own.filter((act) => act.state === "refused");
  const steps = stepsNow(sheet, own);
  const next = nextStep(steps);
  const ends = ringsOf(sheet, steps);
  if (JSON.stringify(ends) !== JSON.stringify(row.rings)) await write("sheets", { ...row, rings: ends });
  const over = Boolean(sheet.wait) && serverNow() >= new Date(sheet.wait.due);
  const now = JSON.stringify([over, own.map((act) => [act.id, act.state]), steps.map((step) => [step.settled, Boolean(step.until)]), next && next.key, note, count]);
  if (!again && now === shown) return undefined;
  shown = now;
  refill(main, ...[countNotice(count, note), ...refused.map((act) => refusal(act, sheet.zone, decide)), ...sheetView(sheet, own, kept), saveBox(count.own + count.others)].filter(Boolean));
  return undefined;
}

// Times only: a locked page shows nobody's data.
async function locked(rings) {
  const waiting = (await all("outbox")).length;
  const now = JSON.stringify(["locked", waiting, rings.due.length, rings.next, silent()]);
  if (now === shown) return;
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
  say("This tablet is locked", "Nothing is shown until the server has answered and you are signed in. " +
    times(waiting, "entry", "entries") + " not yet sent stay here, sealed, and are sent then.");
  const lines = [];
  if (rings.due.length) lines.push(make("p", { class: "lead-text", role: "alert" }, state("stop", "A timer has rung: unlock")),
    make("p", {}, "Without network go to the volunteers who wait, and go on with the printed visit pack."));
  if (rings.next) lines.push(make("p", {}, "Next timer at " + clockTime(rings.next.toISOString(), zone) + "."));
  if (lines.length && silent()) lines.push(make("p", { class: "quiet" }, "Touch the page once, or it cannot ring aloud."));
  main.querySelector("h1").after(...lines);
  if (waiting) main.querySelector(".actions").after(saveBox(waiting));
  shown = now;
}

async function kept(step, fields) {
  const person = await holder();
  if (!person) return show(true);
  try {
    await keep(person, { base, visit, step: step.key, short: step.short, fields, words: said(step, fields) });
  } catch (problem) {
    main.prepend(make("p", { class: "notice notice-error", role: "alert" }, "NOT KEPT: the tablet’s store refused it. Write it into the printed visit pack now. (" + problem + ")"));
    return undefined;
  }
  await show(true);
  window.scrollTo(0, 0);
  return attempt();
}

async function decide(act, what, reason) {
  const person = await holder();
  if (!person) return show(true);
  if (what === "drop") await drop(act);
  else if (what === "correct") {
    const id = crypto.randomUUID(); // a correction is another act than the entry that was refused
    await change(person, act, { id, state: "waiting", fields: { ...act.fields, act: "correct", reason, client_id: id } });
  } else await change(person, act, { state: "waiting", fields: { ...act.fields, ...(reason ? { deviation_reason: reason } : {}) } });
  await show(true);
  return attempt();
}

async function attempt() {
  try {
    const { met } = await flush(base);
    note = "";
    const left = (await mine(met.holder)).some((act) => act.visit === visit);
    if (!left && !typing()) return location.replace(location.pathname + location.hash);
    await show();
  } catch (problem) {
    if (problem instanceof Gone) {
      await leave();
      return say("This tablet was emptied", "The server no longer gives you or this tablet anything. Run sheets kept here are gone. Ask the study lead.");
    }
    if (problem instanceof SignedOut) {
      note = "";
      const locked = problem instanceof Locked;
      main.prepend(make("p", { class: "notice notice-error" }, "The server answers, but " + (locked ? "this tablet is locked. " : "you are signed out. "),
        make("a", { href: locked ? location.pathname : "/sign-in/?next=" + encodeURIComponent(location.pathname) }, (locked ? "Unlock it" : "Sign in") + ": what is kept here is then sent")));
      clearInterval(timer);
      return undefined;
    }
    note = "No network. The tablet tries again by itself.";
    await show();
  }
  return undefined;
}

function say(title, text) {
  shown = "";
  main.replaceChildren(make("div", { class: "narrow" }, make("h1", {}, title), make("p", {}, text),
    make("div", { class: "actions" }, make("button", { class: "btn btn-primary", type: "button", on: { click: attempt } }, "Try again"))));
}

// Today, the dose page, a symptom: what needs the server says so, and where to go on.
async function other(person, count) {
  const rows = (await all("sheets")).filter((row) => row.person === person.person);
  const sheets = await Promise.all(rows.map((row) => unseal(person.key, row)));
  const today = path.startsWith("today/");
  main.replaceChildren(...[countNotice(count, note), make("h1", {}, "No network"),
    make("p", {}, today ? "Today needs the server." : "This page needs the server: doses, readings, symptoms, holds and code openings are judged and told to others there. " +
      "In an emergency call, do not wait for the page. For everything else the printed visit pack says what to do; enter it when there is network."),
    sheets.length ? make("h2", {}, "Run sheets opened on this tablet") : "",
    ...sheets.map((sheet) => make("p", {}, make("a", { class: "big-link", href: base + "visits/" + sheet.visit + "/?kept" }, sheet.code + ", visit " + sheet.number))),
    make("div", { class: "actions" }, make("button", { class: "btn btn-primary", type: "button", on: { click: attempt } }, "Try again")),
    saveBox(count.own + count.others)].filter(Boolean));
}

let timer = 0;
async function begin() {
  await compared();
  await show(true);
  timer = setInterval(attempt, TRY_EVERY);
  setInterval(() => show(), 1000); // a timer that ran out, a key whose time is over
  for (const sign of ["pointerdown", "keydown"]) document.addEventListener(sign, () => { heard(); touched(); }, { passive: true });
  window.addEventListener("online", attempt);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) attempt(); });
  await attempt();
}

begin().catch((problem) => say("The tablet’s store cannot be read", "Nothing can be kept here now. Go on with the printed visit pack. (" + problem + ")"));
