/* Light or dark, as the reader's device asks; and failed exchanges said aloud instead of silently dropped. */
(function () {
  "use strict";
  var dark = window.matchMedia("(prefers-color-scheme: dark)");
  function apply() {
    document.documentElement.setAttribute("data-bs-theme", dark.matches ? "dark" : "light");
  }
  apply();
  dark.addEventListener("change", apply);

  function say(text) {
    var place = document.getElementById("messages");
    if (!place) { return; }
    var box = document.createElement("div");
    box.className = "alert alert-danger";
    box.setAttribute("role", "alert");
    box.textContent = "✕ " + text;
    place.replaceChildren(box);
  }
  document.addEventListener("htmx:sendError", function () {
    say("The service cannot be reached. What you typed is still here; try again when the connection is back.");
  });
  document.addEventListener("htmx:responseError", function (event) {
    say("The service answered " + event.detail.xhr.status + ". What you typed is still here; reload the page, then try again.");
  });

  document.addEventListener("click", function (event) {
    var button = event.target.closest("[data-fb-copy]");
    if (button) {
      var field = document.querySelector(button.getAttribute("data-fb-copy"));
      field.select();
      navigator.clipboard.writeText(field.value).then(function () { button.textContent = "Copied"; });
    }
    if (event.target.closest("[data-fb-print]")) { window.print(); }
  });
  document.addEventListener("change", function (event) {
    var all = event.target.closest("[data-fb-all]");
    if (all) {
      document.querySelectorAll(all.getAttribute("data-fb-all")).forEach(function (box) { box.checked = all.checked; });
    }
    var group = event.target.closest("[data-fb-ticks]");
    if (group) { document.querySelector(group.getAttribute("data-fb-ticks")).checked = true; }
    if (event.target.closest("[data-fb-submit]")) { event.target.form.requestSubmit(); }
  });
})();
