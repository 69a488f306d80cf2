/* The secret of an invitation, or of a link for a new password, stands behind the "#", which no server and no log ever sees. It goes in with the form. */
(function () {
  "use strict";

  function bringLink() {
    const door = document.querySelector("[data-door]");
    const secret = location.hash.slice(1);
    if (!door || secret.length < 20) return;
    const field = door.querySelector("input[name=token]");
    field.value = secret;
    (field.closest("[data-door-field]") || field.closest("#div_id_token")).hidden = true;
  }

  addEventListener("hashchange", bringLink);
  bringLink();
})();
