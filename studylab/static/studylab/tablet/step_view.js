/* The form of one step on the tablet: by the step's kind, in the words of the run sheet. */
import { make, state } from "./dom.js";

function field(id, label, input, help) {
  return make("div", { class: "mb-3" }, make("label", { class: "form-label", for: id }, label), input,
    help ? make("div", { class: "form-text" }, help) : "");
}

function choices(name, legend, options, kind) {
  return make("fieldset", { class: "mb-3" }, make("legend", { class: "form-label" }, legend),
    options.map((option, place) => {
      const id = "tablet-" + name + "-" + place;
      return make("div", { class: "form-check" },
        make("input", { class: "form-check-input", type: kind, name, id, value: option }),
        make("label", { class: "form-check-label", for: id }, option[0].toUpperCase() + option.slice(1)));
    }));
}

function bounds(step) {
  const parts = [];
  if (step.minimum !== null) parts.push("from " + step.minimum);
  if (step.maximum !== null) parts.push("to " + step.maximum);
  const text = parts.length ? parts.join(" ") + " " + step.unit : "";
  return text ? text[0].toUpperCase() + text.slice(1).trim() + "." : "";
}

const text = (attributes) => make("input", { class: "form-control", id: "tablet-value", name: "value", autocomplete: "off", ...attributes });

const FIELDS = {
  identity: (step) => [
    choices("identifiers", "What was checked, at least two", step.identifiers, "checkbox"),
    choices("document", "Document seen", step.documents, "radio")],
  choice: (step) => [choices("value", "Answer", step.options, "radio")],
  number: (step) => [field("tablet-value", step.unit ? "Value (" + step.unit + ")" : "Value",
    text({ class: "form-control step-number", inputmode: "decimal", maxlength: 20 }), bounds(step))],
  label: () => [field("tablet-value", "Label", text({ maxlength: 60, autocapitalize: "characters" }), "Scan it, or type what is printed.")],
  text: () => [field("tablet-value", "Note", make("textarea", { class: "form-control", id: "tablet-value", name: "value", rows: 4, maxlength: 2000 }),
    "Name nobody: people who may not see names read this.")],
};
const PRESS = { tick: "Done", read_aloud: "Read out", timer: "Start" };

export function reasonField(name, label) {
  const id = "tablet-" + name;
  return field(id, label, make("textarea", { class: "form-control", id, name, rows: 3, maxlength: 300, required: true }),
    "Name nobody: people who may not see names read this.");
}

// What was entered, one value for each name; several for boxes of which many can be ticked.
export function entered(form) {
  const fields = {};
  for (const [name, value] of new FormData(form)) {
    if (name in fields) fields[name] = [].concat(fields[name], value);
    else fields[name] = value;
  }
  return fields;
}

// Only what would surely be refused is asked for again here; everything else the server judges.
export function lacks(step, fields) {
  if (step.kind === "identity") {
    if ([].concat(fields.identifiers || []).length < 2) return "Check at least two identifiers before anything else.";
    return fields.document ? "" : "Say which document was seen.";
  }
  if (!(step.kind in FIELDS)) return "";
  if (!String(fields.value || "").trim()) return step.kind === "choice" ? "Choose an answer." : "Enter something, or leave the step out.";
  if (step.kind !== "number") return "";
  const number = Number(String(fields.value).trim().replace(",", "."));
  if (!Number.isFinite(number)) return "Enter a number.";
  if ((step.minimum !== null && number < step.minimum) || (step.maximum !== null && number > step.maximum)) {
    return number + " " + step.unit + " cannot be right: " + bounds(step).toLowerCase();
  }
  return "";
}

export function said(step, fields) {
  if (fields.act === "skip") return "left out";
  if (step.kind === "identity") return [].concat(fields.identifiers).join(" and ") + ", " + fields.document;
  if (step.kind === "timer") return "started";
  if (fields.value === undefined) return "done";
  const value = (fields.value + " " + (step.unit || "")).trim();
  const low = step.kind === "number" && step.call_below !== null && Number(String(fields.value).replace(",", ".")) < step.call_below;
  return low ? value + ": below " + step.call_below + ", call the physician now" : value;
}

export function stepForm(step, done) {
  const form = make("form", { class: "sheet step-form", novalidate: true, "data-about": step.key },
    make("p", { class: "notice notice-error", role: "alert", hidden: true }), (FIELDS[step.kind] || (() => []))(step),
    step.kind in FIELDS ? "" : make("input", { type: "hidden", name: "done", value: "True" }),
    step.not_yours ? [make("p", {}, state("warn", "not by you"),
      " You have seen what was measured after the dose, so somebody else rates this. Recorded by you it becomes a deviation."),
      reasonField("deviation_reason", "Why is it not done as planned?")] : "",
    make("div", { class: "actions" }, make("button", { class: "btn btn-primary btn-big", type: "submit" },
      step.kind === "timer" ? "Start " + step.minutes + " minutes" : PRESS[step.kind] || "Keep on this tablet")));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const fields = { act: "record", ...entered(form) };
    const problem = lacks(step, fields) || (step.not_yours && !fields.deviation_reason.trim() ? "Say why." : "");
    const wrong = form.querySelector("[role=alert]");
    wrong.textContent = problem;
    wrong.hidden = !problem;
    if (!problem) done(fields);
  });
  return form;
}

export function skipForm(step, done) {
  if (!step.may_skip) return "";
  const form = make("form", { class: "sheet", "data-about": "skip " + step.key }, reasonField("reason", "Why is it left out?"),
    make("div", { class: "actions" }, make("button", { class: "btn btn-secondary", type: "submit" }, "Leave it out")));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const fields = { act: "skip", ...entered(form) };
    if (fields.reason.trim()) done(fields);
  });
  return make("details", { class: "step-when" }, make("summary", {}, "Leave this step out"), form);
}
