/* Small helpers for pages that are built on the tablet. No markup is ever made from text. */
export function make(tag, given, ...inside) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(given || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "on") Object.entries(value).forEach(([what, does]) => element.addEventListener(what, does));
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...inside.flat().filter((part) => part !== null && part !== undefined && part !== ""));
  return element;
}

// The shape stands in the page once for each kind, as a template; words and shape together tell a state.
export function state(kind, word) {
  const shape = document.querySelector('template[data-shape="' + kind + '"]');
  return make("span", { class: "state state-" + kind }, shape ? shape.content.cloneNode(true) : "", make("span", {}, word));
}

export function clockTime(iso, zone) {
  return new Date(iso).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: zone });
}

export function times(count, one, many) {
  return count === 1 ? "1 " + one : count + " " + many;
}

// Whether somebody has begun to enter something: then the page is not loaded anew under their hands.
export function typing() {
  return [...document.querySelectorAll("main input:not([type=hidden]), main textarea")].some((one) =>
    one.type === "radio" || one.type === "checkbox" ? one.checked !== one.defaultChecked : one.value !== one.defaultValue);
}

const fieldsOf = (form) => [...form.elements].filter((one) => one.name && one.type !== "hidden");
const sameField = (one, two) => one.name === two.name && one.type === two.type && (!/radio|checkbox/.test(one.type) || one.value === two.value);

// Fill the page anew; what somebody has begun to enter stays in the form that is about the same thing (`data-about`).
export function refill(main, ...parts) {
  const before = [...main.querySelectorAll("form[data-about]")];
  const focused = document.activeElement;
  main.replaceChildren(...parts);
  for (const form of main.querySelectorAll("form[data-about]")) {
    const old = before.find((one) => one.dataset.about === form.dataset.about);
    if (!old) continue;
    const details = form.closest("details");
    if (details) details.open = Boolean(old.closest("details[open]"));
    const said = form.querySelector("[role=alert]");
    if (said) said.replaceWith(old.querySelector("[role=alert]"));
    for (const field of fieldsOf(form)) {
      const was = fieldsOf(old).find((one) => sameField(one, field));
      if (!was) continue;
      if (/radio|checkbox/.test(field.type)) field.checked = was.checked;
      else field.value = was.value;
      if (was === focused) {
        field.focus({ preventScroll: true });
        if (typeof was.selectionStart === "number") field.setSelectionRange(was.selectionStart, was.selectionEnd);
      }
    }
  }
}
