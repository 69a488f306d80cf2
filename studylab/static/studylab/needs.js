// Asks once a minute how much needs the person. A hidden page does not ask; a locked one has no header to ask from.
(() => {
  "use strict";
  const look = () => {
    const place = document.querySelector("[data-needs-url]");
    const shown = document.getElementById("needs-count");
    if (document.hidden || !place || !shown) return;
    const url = new URL(place.dataset.needsUrl, location.href);
    url.searchParams.set("mark", shown.dataset.mark);
    url.searchParams.set("at", shown.dataset.at);
    window.htmx.ajax("GET", url.pathname + url.search, { target: "#needs-count", swap: "outerHTML" });
  };
  setInterval(look, 60000);
})();
