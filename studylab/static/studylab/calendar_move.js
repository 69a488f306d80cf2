/* Taking a visit to another time: by mouse or pen, by a long touch, or with M and the arrows.

   Nothing is written here. A drop opens the page that finds the visit's places at that time, asks for the room (or
   person, or thing) of the lane, checks it and shows before and after. Positions are elapsed minutes below the top of each day, so days of 23 and 25 hours are right. */
(function () {
  "use strict";
  const area = document.querySelector("[data-calendar]");
  const sheet = area && area.querySelector(".cal-sheet");
  if (!sheet || !sheet.querySelector("[data-move]")) return;
  const STEP = 15, HOLD = 400, SLACK = 6, head = Number(area.dataset.head);
  const said = document.querySelector("[data-calendar-said]");
  const days = [...sheet.querySelectorAll("[data-day]")].map((node) => {
    const [x, width, minutes, start] = node.dataset.day.split(" ");
    return { x: Number(x), width: Number(width), minutes: Number(minutes), start: Date.parse(start) };
  });
  const lanes = [...sheet.querySelectorAll("[data-lane]")].map((node) => ({ on: node.dataset.lane, name: node.dataset.name,
    x: node.x.baseVal.value, width: node.width.baseVal.value }));
  const words = new Intl.DateTimeFormat("en-GB", { timeZone: area.dataset.zone, weekday: "short", day: "numeric",
    month: "short", hour: "2-digit", minute: "2-digit", timeZoneName: "short" });
  let move = null, dropped = false;

  function make(name, attributes) {
    const node = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    return sheet.appendChild(node);
  }

  function take(link) {
    const [width, height] = link.dataset.size.split(" ").map(Number);
    const x = Number(link.dataset.x), y = Number(link.dataset.y);
    move = { link, width, height, x, y, from: { x, y }, offset: Number(link.dataset.offset),
      box: make("rect", { class: "cal-ghost", width, height: Math.max(height, 20), rx: 3 }),
      text: make("text", { class: "cal-ghost-text" }) };
    sheet.classList.add("cal-moving");
    put(x, y);
  }

  function dayAt(x) {
    return days.find((day) => x >= day.x && x < day.x + day.width) ||
      days.reduce((a, b) => Math.abs(b.x - x) < Math.abs(a.x - x) ? b : a);
  }

  function laneAt(x) {
    return lanes.find((lane) => x >= lane.x && x < lane.x + lane.width);
  }

  /* The visit begins on a whole quarter of an hour; the block taken may lie later in it. */
  function put(x, y) {
    const day = dayAt(x + move.width / 2);
    const wanted = Math.min(Math.max(y - head, 0), day.minutes - move.height) - move.offset;
    const minutes = Math.max(0, Math.round(wanted / STEP) * STEP);
    move.x = x;
    move.y = head + minutes + move.offset;
    move.at = new Date(day.start + minutes * 60000);
    move.lane = laneAt(x + move.width / 2);
    const label = words.format(move.at) + (move.lane ? `, ${move.lane.name}` : "");
    move.box.setAttribute("x", move.x);
    move.box.setAttribute("y", move.y);
    move.text.setAttribute("x", move.x + 6);
    move.text.setAttribute("y", move.y + 15);
    move.text.textContent = label;
    return label;
  }

  function end() {
    if (!move) return;
    move.box.remove();
    move.text.remove();
    sheet.classList.remove("cal-moving");
    move = null;
  }

  function drop() {
    const same = Math.abs(move.x - move.from.x) < SLACK && Math.abs(move.y - move.from.y) < SLACK;
    const query = new URLSearchParams({ at: move.at.toISOString() });
    if (move.lane) query.set("on", move.lane.on);
    const address = `${move.link.dataset.move}?${query}`;
    end();
    if (!same) window.location.assign(address);
  }

  function at(event) {
    const box = sheet.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  }

  let press = null;
  sheet.addEventListener("pointerdown", (event) => {
    const link = event.target.closest("[data-move]");
    if (!link || event.button !== 0 || move) return;
    const point = at(event);
    const grab = { x: point.x - Number(link.dataset.x), y: point.y - Number(link.dataset.y) };
    press = { link, point, grab, id: event.pointerId, touch: event.pointerType === "touch" };
    if (press.touch) press.timer = setTimeout(() => lift(press), HOLD);
  });
  function lift(pressed) {
    take(pressed.link);
    sheet.setPointerCapture(pressed.id);
    dropped = true;
  }
  sheet.addEventListener("pointermove", (event) => {
    if (!press || event.pointerId !== press.id) return;
    const point = at(event), far = Math.hypot(point.x - press.point.x, point.y - press.point.y) > SLACK;
    if (!move && far) {
      if (press.touch) { clearTimeout(press.timer); press = null; return; }
      lift(press);
    }
    if (!move) return;
    put(point.x - press.grab.x, point.y - press.grab.y);
    const frame = area.getBoundingClientRect();
    if (event.clientX > frame.right - 40) area.scrollLeft += 14;
    if (event.clientX < frame.left + 40) area.scrollLeft -= 14;
  });
  function release(event, go) {
    if (!press || event.pointerId !== press.id) return;
    clearTimeout(press.timer);
    press = null;
    if (move && go) drop(); else end();
    setTimeout(() => { dropped = false; }, 0);
  }
  sheet.addEventListener("pointerup", (event) => release(event, true));
  sheet.addEventListener("pointercancel", (event) => release(event, false));
  /* A finger that has lifted a visit drags it; otherwise it scrolls as everywhere. */
  sheet.addEventListener("touchmove", (event) => { if (move) event.preventDefault(); }, { passive: false });
  sheet.addEventListener("click", (event) => { if (dropped) event.preventDefault(); }, true);
  sheet.addEventListener("dragstart", (event) => event.preventDefault());
  sheet.addEventListener("contextmenu", (event) => { if (move || (press && press.touch)) event.preventDefault(); });

  function step(event) {
    const minutes = event.shiftKey ? 60 : STEP, index = days.indexOf(dayAt(move.x + move.width / 2));
    const other = { ArrowLeft: days[index - 1], ArrowRight: days[index + 1] }[event.key];
    if (event.shiftKey && /^Arrow(Left|Right)$/.test(event.key)) {
      const next = lanes[lanes.indexOf(move.lane) + (event.key === "ArrowRight" ? 1 : -1)];
      return move.lane && next ? put(next.x + 1, move.y) : "";
    }
    if (other) {
      const into = move.x - days[index].x;
      return put(other.x + Math.min(into, other.width - move.width), move.y);
    }
    if (event.key === "ArrowUp") return put(move.x, move.y - minutes);
    if (event.key === "ArrowDown") return put(move.x, move.y + minutes);
    return "";
  }
  document.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const focus = document.activeElement, link = focus && focus.closest("[data-move]");
    if (!move) {
      if (event.key.toLowerCase() !== "m" || !link) return;
      event.preventDefault();
      take(link);
      said.textContent = "Taken. Arrows move it, Shift with left or right to the next lane; Enter shows before and after, Escape puts it back.";
      return;
    }
    event.stopPropagation();
    if (event.key === "Escape") { end(); said.textContent = "Put back."; }
    else if (event.key === "Enter") { event.preventDefault(); drop(); }
    else if (event.key === "Tab") end();
    else if (event.key.startsWith("Arrow")) { event.preventDefault(); said.textContent = step(event); }
  }, true);
})();
