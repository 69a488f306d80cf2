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
