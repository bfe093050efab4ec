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

  /* Looking for one of many: Enter or the arrow down goes to the first that was found, instead of sending the form. */
  document.addEventListener("keydown", function (event) {
    var search = event.target.closest("[data-fb-search]");
    if (!search || (event.key !== "Enter" && event.key !== "ArrowDown")) { return; }
    event.preventDefault();
    var first = document.querySelector(search.getAttribute("data-fb-search") + " input");
    if (first) { first.focus(); }
  });

  /* Clocks: how long until a moment, or since, second by second in the last day before it. */
  function distance(milliseconds) {
    var seconds = Math.floor(Math.abs(milliseconds) / 1000), days = Math.floor(seconds / 86400);
    function two(number) { return (number < 10 ? "0" : "") + number; }
    var words = days >= 1
      ? days + (days === 1 ? " day " : " days ") + Math.floor(seconds % 86400 / 3600) + " h"
      : Math.floor(seconds / 3600) + ":" + two(Math.floor(seconds % 3600 / 60)) + ":" + two(seconds % 60) + " h";
    return milliseconds > 0 ? "in " + words : words + " ago";
  }
  function tick() {
    document.querySelectorAll("time[data-fb-clock]").forEach(function (clock) {
      clock.textContent = distance(new Date(clock.getAttribute("datetime")) - new Date());
    });
  }
  document.addEventListener("DOMContentLoaded", tick);
  window.setInterval(tick, 1000);
})();
