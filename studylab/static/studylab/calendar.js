/* Arrow keys, today in view, and the line of the present moment. The page works without any of it.

   Left and right arrow open the week or day before and after; inside the drawing, once a visit has the
   focus, all four arrows go to the nearest visit that way. The line follows the server's clock. */
(function () {
  "use strict";
  const area = document.querySelector("[data-calendar]");
  const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

  function nearest(from, way) {
    const x = Number(from.dataset.x), y = Number(from.dataset.y);
    let best = null, least = Infinity;
    for (const link of area.querySelectorAll(".cal-link")) {
      const dx = Number(link.dataset.x) - x, dy = Number(link.dataset.y) - y;
      const ahead = dx * way[0] + dy * way[1];
      const aside = Math.abs(way[0] ? dy : dx);
      if (ahead > 0 && ahead + 3 * aside < least) { least = ahead + 3 * aside; best = link; }
    }
    return best;
  }

  document.addEventListener("keydown", (event) => {
    const way = WAYS[event.key];
    if (!way || event.altKey || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const at = document.activeElement;
    if (at && at.closest("input, select, textarea, [contenteditable]")) return;
    if (area && at && at.classList.contains("cal-link")) {
      const next = nearest(at, way);
      if (next) { event.preventDefault(); next.focus(); }
      return;
    }
    if (!way[0] || (area && at === area && area.scrollWidth > area.clientWidth)) return;
    const link = document.querySelector(way[0] < 0 ? "[data-calendar-before]" : "[data-calendar-after]");
    if (link) { event.preventDefault(); link.click(); }
  });

  const today = document.querySelector("[data-today]");
  if (area && today) area.scrollLeft = Math.max(0, Number(today.dataset.today) - 8);

  const line = document.querySelector("[data-now]");
  if (line) {
    const ahead = Date.parse(line.dataset.serverNow) - Date.now();
    const start = Date.parse(line.dataset.start), end = Date.parse(line.dataset.end);
    setInterval(() => {
      const now = Date.now() + ahead;
      if (now >= end) { line.remove(); return; }
      const y = Number(line.dataset.top) + (now - start) / 60000;
      line.setAttribute("y1", y);
      line.setAttribute("y2", y);
    }, 15000);
  }
})();
