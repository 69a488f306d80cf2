/* Shows passwords as they are typed, for whoever wants to see them. */
(function () {
  "use strict";
  document.querySelectorAll("[data-show-password] form").forEach(function (form) {
    const fields = form.querySelectorAll("input[type=password]");
    const label = document.createElement("label");
    const tick = document.createElement("input");
    label.className = "show-password form-check-label";
    tick.type = "checkbox";
    tick.className = "form-check-input";
    label.append(tick, " Show what I type");
    fields[fields.length - 1].closest(".mb-3, div").after(label);
    tick.addEventListener("change", () => fields.forEach((field) => { field.type = tick.checked ? "text" : "password"; }));
    form.addEventListener("submit", () => fields.forEach((field) => { field.type = "password"; }));
  });
})();
