/* Sends what is kept, in order, one act after the other. A browser's word that it is online is worth nothing: what
   counts is an answer of the server within a few seconds. */
import { compare } from "./clock.js";
import { take } from "./key.js";
import { change, drop, mine } from "./outbox.js";

const PATIENCE = 6000;

export class Away extends Error {} // no answer; the acts stay
export class SignedOut extends Error {} // the acts stay until the same person signs in
export class Locked extends SignedOut {} // the same, until this person unlocks the tablet
export class Gone extends Error {} // this person or device may not: nothing may stay here

async function ask(url, given) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), PATIENCE);
  try {
    const answer = await fetch(url, { redirect: "manual", cache: "no-store", credentials: "same-origin", ...given, signal: stop.signal });
    if (answer.type === "opaqueredirect" || answer.status === 401) throw new SignedOut();
    if (answer.status === 423) throw new Locked();
    if (answer.status === 410) throw new Gone(); // this tablet was revoked
    if (answer.status >= 500 || answer.status === 429) throw new Away();
    if (!(answer.headers.get("content-type") || "").startsWith("application/json")) {
      // Asked for, this means that the person may no longer. Sent, it may be a form key of before a sign-in.
      const closed = !given && (answer.status === 403 || answer.status === 404);
      throw closed ? new Gone() : new Away();
    }
    return { status: answer.status, content: await answer.json() };
  } catch (problem) {
    if (problem instanceof SignedOut || problem instanceof Gone) throw problem;
    throw new Away();
  } finally {
    clearTimeout(timer);
  }
}

// Ask who is signed in; with a visit also for its run sheet. Compares the clocks and takes the key.
export async function hello(base, visit) {
  const askedAt = Date.now();
  const { content } = await ask(base + (visit ? "visits/" + visit + "/kept/" : "tablet/hello/"));
  await compare(content.now, askedAt, Date.now());
  return { ...content, holder: await take(content) };
}

function body(act, person) {
  const data = new URLSearchParams();
  for (const [name, value] of Object.entries(act.fields)) {
    for (const one of Array.isArray(value) ? value : [value]) data.append(name, one);
  }
  data.set("person", person);
  data.set("device_at", act.device_at);
  data.set("compared_ms", act.compared_ms);
  data.set("sent_at", new Date().toISOString());
  return data;
}

async function send(base, act, met) {
  const url = base + "visits/" + act.visit + "/steps/" + act.step + "/act/";
  const headers = { "X-CSRFToken": met.csrf };
  return ask(url, { method: "POST", headers, body: body(act, met.holder.person) });
}

async function sendAll(base) {
  const met = await hello(base);
  const waiting = (await mine(met.holder)).filter((act) => act.base === base);
  const held = new Set();
  const answers = new Map();
  for (const act of waiting) {
    if (act.state === "refused") held.add(act.visit);
    if (held.has(act.visit)) continue;
    const { status, content } = await send(base, act, met);
    if (status === 200) {
      await drop(act);
    } else {
      held.add(act.visit);
      await change(met.holder, act, { state: "refused", answer: { status, ...content } });
    }
    answers.set(act.id, { status, ...content });
  }
  return { met, answers };
}

// Two pages of one tablet never send at the same time; were they to, the server would take each act once.
export async function flush(base) {
  if (!navigator.locks) return sendAll(base);
  return navigator.locks.request("studylab-sending", () => sendAll(base));
}
