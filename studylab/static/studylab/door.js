/* The secret of an invitation stands behind the "#", which no server and no log ever sees. It goes in with the form. */
(function () {
  "use strict";

  function bringLink() {
    const form = document.querySelector("[data-door]");
    const secret = location.hash.slice(1);
    if (!form || secret.length < 20) return;
    form.querySelector("input[name=token]").value = secret;
    form.querySelector("[data-door-field]").hidden = true;
  }

  addEventListener("hashchange", bringLink);
  bringLink();
})();
