/* What is kept and not sent, by count; and what the server did not take, beside what the server has. */
import { clockTime, make, state, times } from "./dom.js";
import { reasonField } from "./step_view.js";

export function countNotice(count, words) {
  const parts = [];
  if (count.own - count.refused > 0) parts.push(make("p", {}, state("wait", times(count.own - count.refused, "entry", "entries") + " kept on this tablet, not yet sent"), " ", words || ""));
  if (count.refused > 0) parts.push(make("p", {}, state("stop", times(count.refused, "entry", "entries") + " not taken by the server: you decide")));
  if (count.others > 0) parts.push(make("p", {}, state("info", times(count.others, "entry", "entries") + " of somebody else, sealed"), " Sent when they sign in on this tablet."));
  return parts.length ? make("div", { class: "tablet-count", role: "status" }, parts) : "";
}

// Two columns, one decision: nothing is resolved by itself, and nothing that was typed is lost before it.
export function refusal(act, zone, decide) {
  const answer = act.answer;
  const there = answer.on_record;
  const at = new Date(Date.parse(act.device_at) + (act.compared_ms === "" ? 0 : act.compared_ms)).toISOString();
  const mine = make("div", {}, make("h3", {}, "Entered here"), make("p", {}, make("b", {}, act.words)), make("p", { class: "quiet" }, "at " + clockTime(at, zone)));
  const theirs = make("div", {}, make("h3", {}, "On the server"), there
    ? [make("p", {}, make("b", {}, there.words)), make("p", { class: "quiet" }, "at " + clockTime(there.at, zone) + (there.by ? ", " + there.by : ""))]
    : make("p", { class: "quiet" }, "nothing at this step"));
  const why = make("ul", {}, (answer.reasons || []).map((reason) => make("li", {}, reason)));
  const fix = there ? "correct" : answer.code === "out_of_order" || answer.code === "not_naive" || answer.code === "not_clean" ? "reason" : "";
  const form = fix ? make("form", { class: "sheet", "data-about": act.id },
    reasonField("why", there ? "Why is the server’s entry wrong?" : "Why is it done like this?"),
    make("div", { class: "actions" }, make("button", { class: "btn btn-secondary", type: "submit" }, there ? "Send mine as a correction" : "Send it with this reason"))) : "";
  if (form) form.addEventListener("submit", (event) => {
    event.preventDefault();
    const reason = form.elements.why.value.trim();
    if (reason) decide(act, fix, reason);
  });
  return make("section", { class: "card-block tablet-refused" },
    make("h2", {}, act.short), make("p", { role: "alert" }, state("stop", "not taken by the server"), " " + answer.said), why,
    make("div", { class: "tablet-beside" }, mine, theirs),
    make("div", { class: "actions" },
      make("button", { class: "btn btn-secondary", type: "button", on: { click: () => decide(act, "drop", "") } }, there ? "Keep the server’s" : "Do not send mine"),
      fix ? "" : make("button", { class: "btn btn-secondary", type: "button", on: { click: () => decide(act, "again", "") } }, "Send it again")),
    form);
}
