/* The run sheet on the tablet: what the server last said of it, and what was kept here since. */
import { serverNow } from "./clock.js";
import { clockTime, make, state } from "./dom.js";
import { skipForm, stepForm } from "./step_view.js";

const PAPER = "Go on with the printed visit pack, and enter it here when there is network.";
const NEEDS = {
  questions: "Today’s questions decide whether the dose may be given, so the server has to judge them.",
  vitals: "Readings are judged by the server as they come. Take them when they are due and write them, with the time, into the printed visit pack.",
  dose: "No dose without the server: only there is the dose gate. Nobody is dosed from paper. Wait for the network, or find a place that has it.",
  leave: "The leave check needs the server. Until then the volunteer stays, in sight of staff.",
  work_up: "Each level is judged by the server before the next one is given. Wait for the network.",
};

// The steps as they stand with what was kept here; a timer that was started here runs from its start.
export function stepsNow(sheet, acts) {
  const now = serverNow().getTime();
  return sheet.steps.map((step) => {
    const act = acts.filter((one) => one.step === step.key).pop();
    let until = act && act.fields.act === "skip" ? null : step.until;
    if (act && step.kind === "timer" && act.fields.act === "record") {
      const off = act.compared_ms === "" ? 0 : act.compared_ms;
      until = new Date(Date.parse(act.device_at) + off + step.minutes * 60000).toISOString();
    }
    const running = until && Date.parse(until) > now;
    return { ...step, act, until: running ? until : null, settled: !running && (step.settled || Boolean(act) || Boolean(until)) };
  });
}

// As on the server: the first open step that is required or not yet passed over.
export function nextStep(steps) {
  const last = steps.reduce((found, step, place) => (step.settled ? place : found), -1);
  return steps.find((step, place) => !step.settled && (step.required || place > last)) || null;
}

function countdown(until, label) {
  const now = serverNow().toISOString();
  return make("time", { "data-countdown": true, "data-until": until, "data-server-now": now, "data-label": label, datetime: until });
}

function waitPanel(sheet) {
  if (!sheet.wait) return "";
  const over = serverNow() >= new Date(sheet.wait.due);
  const fact = (name, iso) => make("div", {}, make("dt", {}, name), make("dd", {}, clockTime(iso, sheet.zone)));
  return make("section", { class: "card-block wait-panel " + (over ? "wait-due" : "wait-waiting") },
    make("h2", {}, over ? state("warn", "the check is due now") : state("wait", "waiting after the dose")),
    make("p", { class: "countdown-big" }, countdown(sheet.wait.due, "The check of " + sheet.code)),
    make("dl", { class: "wait-times" }, fact("Dose", sheet.wait.dose), fact("Earliest and target", sheet.wait.due), fact("Latest on time", sheet.wait.latest)));
}

function nextPanel(sheet, steps, next, kept) {
  if (!next) return make("section", { class: "card-block" }, make("h2", {}, "No step is open"), make("p", {}, "The visit is finished with the server, when there is network."));
  const title = make("h2", {}, next.kind === "read_aloud" ? "Read aloud" : next.text);
  const head = [make("p", { class: "small-label" }, "Next, step " + (steps.indexOf(next) + 1) + " of " + steps.length), title,
    next.shown ? make("p", { class: "shown-value" }, next.shown) : ""];
  let inside;
  if (next.until) inside = [make("p", { class: "countdown-big" }, countdown(next.until, "The timer of " + sheet.code)), skipForm(next, (fields) => kept(next, fields))];
  else if (!next.here) inside = [make("div", { class: "notice notice-error", role: "note" }, make("div", {},
    make("p", {}, state("stop", "needs the server")), make("p", {}, NEEDS[next.kind]), next.kind === "dose" ? "" : make("p", {}, PAPER)))];
  else inside = [next.kind === "read_aloud" ? make("blockquote", { class: "read-aloud" }, next.text) : "",
    stepForm(next, (fields) => kept(next, fields)), skipForm(next, (fields) => kept(next, fields))];
  return make("section", { class: "card-block next-step" }, head, inside);
}

function stepRow(step, place, next) {
  const mark = make("span", { class: "step-mark" }, String(place + 1));
  const word = step.act ? state(step.act.state === "refused" ? "stop" : "wait", step.act.state === "refused" ? "not taken by the server" : "kept here, not yet sent")
    : step.settled ? state("ok", "on the server") : "";
  return make("li", { class: "step step-" + (step === next ? "next" : step.settled ? "done" : "later") },
    make("p", { class: "step-line" }, mark, make("span", {}, (step === next ? "Next: " : "") + step.short, step.act ? make("b", { class: "step-value" }, step.act.words) : "",
      word ? make("span", { class: "tablet-said" }, word) : "")));
}

export function sheetView(sheet, acts, kept) {
  const steps = stepsNow(sheet, acts);
  const next = nextStep(steps);
  return [
    make("div", { class: "page-head run-head" }, make("h1", {}, make("span", { class: "run-code" }, sheet.code), " Visit " + sheet.number + ": " + sheet.title)),
    make("p", { class: "quiet" }, "As the server knew it at " + clockTime(sheet.made_at, sheet.zone) + ", and what was kept here since."),
    sheet.pinned.length ? make("dl", { class: "pinned" }, sheet.pinned.map(([name, words, origin]) => make("div", {}, make("dt", {}, name), make("dd", {}, words), make("dd", { class: "small-label" }, origin + ", locked")))) : "",
    sheet.held ? make("p", {}, state("stop", "on hold"), " Nothing is dosed. A clinician decides.") : "",
    make("p", { class: "tablet-emergency" }, "Emergency: ", make("a", { href: "tel:" + sheet.emergency }, sheet.emergency), " · study phone, 24 h: ", make("a", { href: "tel:" + sheet.phone.replace(/[^+0-9]/g, "") }, sheet.phone),
      ". If a dose was given, say that a beta-blocker may have been taken. A symptom is recorded with the server; until then call the physician."),
    make("div", { class: "run-grid" },
      make("div", { class: "run-now", id: "now" }, waitPanel(sheet), sheet.leave && new Date(sheet.leave) > serverNow() ? make("p", { class: "leave-after" }, "Dosed: stays in sight of staff. May leave at the earliest " + clockTime(sheet.leave, sheet.zone) + ".") : "",
        nextPanel(sheet, steps, next, kept)),
      make("section", { class: "run-steps", id: "steps" }, make("h2", {}, "Steps"), make("ol", { class: "steps" }, steps.map((step, place) => stepRow(step, place, next))))),
  ];
}
