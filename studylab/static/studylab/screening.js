/* Helps with questions and readings; the pages work without it. */
(function () {
  "use strict";

  /* Questions that follow from another: shown after "yes" or "not sure" there, or when they hold an answer. */
  function holdsSomething(box) {
    return Array.from(box.querySelectorAll("input, textarea")).some((field) =>
      field.type === "radio" || field.type === "checkbox" ? field.checked : field.value !== "");
  }
  function showFollowing(form) {
    form.querySelectorAll("[data-asked-if]").forEach((box) => {
      const lead = form.querySelector('input[name="' + CSS.escape(box.dataset.askedIf) + '"]:checked');
      const asked = lead && lead.value !== "no";
      box.hidden = !asked && !holdsSomething(box);
    });
  }

  /* Room for the person's own words: when the answer is another than the quiet one, or something is written. */
  function showDetails(form) {
    form.querySelectorAll("[data-detail]").forEach((box) => {
      const chosen = box.parentElement.querySelector("input[type=radio]:checked");
      const words = box.querySelector("textarea");
      box.hidden = words.value === "" && (!chosen || chosen.value === box.dataset.detail);
    });
  }

  /* Medicines: a name that was offered is written into the row when somebody chooses it. */
  function takeOffers(box) {
    box.addEventListener("click", (event) => {
      const offer = event.target.closest("[data-offer]");
      if (!offer) return;
      const name = offer.closest("[data-medicine]").querySelector('input[name$="-name"]');
      name.value = offer.dataset.offer;
      name.dispatchEvent(new Event("input", { bubbles: true }));
      name.focus();
    });
  }
  function moreMedicines(form, box) {
    const button = form.querySelector("[data-more-medicines]");
    const template = document.getElementById("medicine-template");
    const total = form.querySelector('input[name="medicine-TOTAL_FORMS"]');
    const most = Number(form.querySelector('input[name="medicine-MAX_NUM_FORMS"]').value);
    button.addEventListener("click", (event) => {
      const number = Number(total.value);
      event.preventDefault();
      if (number >= most) return;
      const row = template.content.firstElementChild.cloneNode(true);
      [row, ...row.querySelectorAll("*")].forEach((part) => {
        [...part.attributes].forEach((one) => {
          one.value = one.value.replaceAll("__prefix__", String(number));
        });
      });
      row.querySelector("legend").textContent += " " + String(number + 1);
      box.append(row);
      window.htmx.process(row);
      total.value = String(number + 1);
      row.querySelector("input:not([type=hidden])").focus();
    });
  }

  /* A half-typed date is sent as nothing at all by the browser: say so before that happens. */
  function refuseHalfDates(form) {
    form.addEventListener("submit", (event) => {
      form.querySelectorAll("[data-half-date]").forEach((said) => said.remove());
      const half = Array.from(form.elements).filter((field) => field.validity && field.validity.badInput);
      half.forEach((field) => {
        const said = document.createElement("p");
        said.className = "invalid-feedback";
        said.dataset.halfDate = "";
        said.textContent = "This is not a whole date, or there is no such day. Complete it, or empty the field.";
        field.before(said);
      });
      if (half.length === 0) return;
      event.preventDefault();
      event.stopImmediatePropagation();
      half[0].focus();
    }, true);
  }

  /* Readings: the time of a row by the server's clock, at its first keystroke. */
  const seenAt = (() => {
    const entry = performance.getEntriesByType("navigation")[0];
    return entry && entry.responseStart > 0 ? performance.timeOrigin + entry.responseStart : Date.now();
  })();
  function timeReadings(form) {
    const offset = Date.parse(form.dataset.serverNow) - seenAt;
    const clock = new Intl.DateTimeFormat("en-GB", { timeZone: form.dataset.zone, hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" });
    form.addEventListener("input", (event) => {
      const row = event.target.closest("[data-reading]");
      if (!row || event.target.type === "time") return;
      const time = row.querySelector("[data-reading-time]");
      if (!time || time.value !== "" || event.target.value === "") return;
      time.value = clock.format(new Date(Date.now() + offset));
      const stamp = row.querySelector("[data-reading-stamp]");
      if (stamp) stamp.value = time.value;
      row.dataset.stampedAt = String(Date.now());
    });
  }

  /* When the next reading is due: counted from the first keystroke of the one before. */
  function nextReading(form) {
    const said = form.querySelector("[data-next-reading]");
    const table = form.querySelector("[data-gap-min]");
    if (!said || !table) return;
    const least = Number(table.dataset.gapMin);
    const most = Number(table.dataset.gapMax);
    const clock = (seconds) => Math.floor(seconds / 60) + ":" + String(seconds % 60).padStart(2, "0");
    const show = (text, when) => { said.textContent = text; said.dataset.when = when; said.hidden = text === ""; };
    setInterval(() => {
      const rows = Array.from(table.querySelectorAll("tr[data-reading]")).filter((row) => !row.hasAttribute("data-fourth-hidden"));
      const last = rows.findLastIndex((row) => row.dataset.stampedAt);
      if (last < 0 || last === rows.length - 1) return show("", "");
      const passed = Math.floor((Date.now() - Number(rows[last].dataset.stampedAt)) / 1000);
      const next = "Reading " + rows[last + 1].dataset.reading;
      if (passed < least) show(next + " in " + clock(least - passed), "wait");
      else if (passed <= most) show(next + " now: " + clock(most - passed) + " left", "now");
      else show(next + " is too late. Start a new set.", "late");
    }, 500);
  }

  /* Both arms: the one that reads higher is chosen for the set, in sight and open to change. */
  function higherArm(form) {
    const box = form.querySelector("[data-arms]");
    if (!box) return;
    const value = (name) => Number(form.querySelector('[name="' + name + '"]').value);
    box.addEventListener("change", () => {
      const left = value("left_systolic");
      const right = value("right_systolic");
      if (left < 60 || right < 60 || left === right) return;
      form.querySelector('[name="arm"][value="' + (left > right ? "left" : "right") + '"]').checked = true;
    });
  }
  function fourthReading(form) {
    const table = form.querySelector("[data-fourth-if]");
    const row = form.querySelector("[data-fourth-idle]");
    if (!row) return;
    const limit = Number(table.dataset.fourthIf);
    const systolic = (number) => Number(form.querySelector('[name="reading_' + number + '.systolic"]').value);
    const look = () => {
      const both = systolic(2) > 0 && systolic(3) > 0;
      const needed = both && Math.abs(systolic(2) - systolic(3)) > limit;
      row.toggleAttribute("data-fourth-hidden", !needed && !holdsSomething(row));
    };
    form.addEventListener("change", look);
    look();
  }

  document.querySelectorAll("form[data-questions]").forEach((form) => {
    const show = () => { showFollowing(form); showDetails(form); };
    show();
    form.addEventListener("change", show);
    refuseHalfDates(form);
    const box = form.querySelector("[data-medicines]");
    takeOffers(box);
    moreMedicines(form, box);
  });
  document.querySelectorAll("form[data-vitals]").forEach((form) => {
    timeReadings(form);
    fourthReading(form);
    nextReading(form);
    higherArm(form);
  });
  document.querySelectorAll("form[data-standing]").forEach(timeReadings);
})();
