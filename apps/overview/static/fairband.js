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

  /* Fields that follow another one are not taken from under somebody's hands: they follow with the next answer. */
  document.addEventListener("htmx:oobBeforeSwap", function (event) {
    var place = event.detail.target;
    if (place.hasAttribute("data-fb-keep") && place.contains(document.activeElement)) { event.detail.shouldSwap = false; }
  });

  /* What the help finds wrong stands at its field too, wherever the help is. What was said of a field when it was sent goes once
     the help no longer says it; of an empty field, of which the help says nothing, once something is typed. */
  function saysElse(field) {
    return field.tagName === "SELECT"
      ? Array.prototype.some.call(field.options, function (each) { return each.selected !== each.defaultSelected; })
      : field.value !== field.defaultValue;
  }
  /* What describes a field to whoever hears it: one thing less, one thing more. */
  function describe(field, less, more) {
    var said = (field.getAttribute("aria-describedby") || "").split(" ").filter(function (id) { return id && id !== less; });
    said = said.concat(more || []);
    if (said.length) { field.setAttribute("aria-describedby", said.join(" ")); } else { field.removeAttribute("aria-describedby"); }
  }
  function unblame(field) {
    field.classList.remove("is-invalid");
    field.removeAttribute("aria-invalid");
    (field.closest("[id^=div_id_]") || field.parentElement).querySelectorAll(".invalid-feedback").forEach(function (box) {
      describe(field, box.id, "");
      box.remove();
    });
  }
  function blame(form) {
    var help = form && document.querySelector(form.getAttribute("data-fb-faults"));
    if (!help) { return; }
    form.querySelectorAll(".is-invalid").forEach(function (field) {
      if (field.value || saysElse(field)) { unblame(field); }
    });
    help.querySelectorAll("[data-fb-fault]").forEach(function (item) {
      var field = document.querySelector(item.querySelector("a").getAttribute("href")), box = document.createElement("div");
      if (field && field.tagName === "FIELDSET") { field = field.querySelector("input"); }
      if (!field || !form.contains(field) || field.classList.contains("is-invalid")) { return; }
      box.className = "invalid-feedback d-block";
      box.textContent = item.getAttribute("data-fb-fault");
      field.classList.add("is-invalid");
      field.setAttribute("aria-invalid", "true");
      box.id = field.id + "-fault";
      describe(field, "", box.id);
      field.insertAdjacentElement("afterend", box);
    });
  }
  document.addEventListener("htmx:afterSettle", function (event) {
    var help = event.detail.target || event.target;
    if (help && help.closest) { blame(help.closest("[data-fb-faults]")); }
  });
  document.addEventListener("DOMContentLoaded", function () {
    document.querySelectorAll("[data-fb-faults]").forEach(blame);
    /* What could not be saved is kept as a draft: loading the page again asks for that, and does not send the old again. */
    if (document.querySelector("[data-fb-kept]")) { window.history.replaceState(null, "", window.location.pathname); }
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
  /* Rows to decide on: a tick chooses those that are ticked; all of them are meant only if somebody chooses that. */
  function scope(form) {
    var place = form && form.querySelector("[data-fb-ticked]");
    if (!place) { return; }
    var count = form.querySelectorAll("input[name=row]:checked").length;
    place.textContent = count ? " (" + count + ")" : " (none yet)";
    if (count) { document.getElementById("scope-ticked").checked = true; }
  }
  document.addEventListener("change", function (event) {
    var all = event.target.closest("[data-fb-all]");
    if (all) {
      document.querySelectorAll(all.getAttribute("data-fb-all")).forEach(function (box) { box.checked = all.checked; });
    }
    if (all || event.target.name === "row") { scope(event.target.form); }
    var group = event.target.closest("[data-fb-ticks]");
    if (group) { document.querySelector(group.getAttribute("data-fb-ticks")).checked = true; }
    if (event.target.closest("[data-fb-submit]")) { event.target.form.requestSubmit(); }
  });

  /* A form that was sent: its buttons rest and say so, aloud too, until the answer comes; it is not sent twice. */
  var resting = [];
  function rest(button, words) {
    resting.push({ button: button, content: Array.from(button.childNodes) });
    button.setAttribute("aria-disabled", "true");
    button.classList.add("disabled");
    if (words) { button.textContent = words; }
  }
  function working(text) {
    var place = document.getElementById("working");
    if (place) { place.textContent = text; }
  }
  function rested() {
    resting.splice(0).forEach(function (each) {
      each.button.removeAttribute("aria-disabled");
      each.button.classList.remove("disabled");
      each.button.replaceChildren.apply(each.button, each.content);
    });
    document.querySelectorAll("form[data-fb-sent]").forEach(function (form) { form.removeAttribute("data-fb-sent"); });
    working("");
  }
  document.addEventListener("submit", function (event) {
    var form = event.target;
    if (event.defaultPrevented) { return; }
    if (form.hasAttribute("data-fb-sent")) { event.preventDefault(); return; }
    form.setAttribute("data-fb-sent", "");
    var pressed = event.submitter || form.querySelector("button:not([type=button])");
    form.querySelectorAll("button:not([type=button])").forEach(function (button) {
      rest(button, button === pressed ? "Working…" : "");
    });
    working("Working…");
    window.setTimeout(function () {
      if (form.hasAttribute("data-fb-sent")) {
        working("Still working. It goes on while you wait; it need not be sent again.");
      }
    }, 6000);
  });
  window.addEventListener("pageshow", function (event) { if (event.persisted) { rested(); } });

  /* Looking for one of many: Enter or the arrow down goes to the first that was found, instead of sending the form. */
  document.addEventListener("keydown", function (event) {
    var search = event.target.closest("[data-fb-search]");
    if (!search || (event.key !== "Enter" && event.key !== "ArrowDown")) { return; }
    event.preventDefault();
    var first = document.querySelector(search.getAttribute("data-fb-search") + " input");
    if (first) { first.focus(); }
  });

  /* A table to type into: Enter goes down a row, Ctrl+D repeats the cell above, cells of a spreadsheet are pasted as cells. */
  function fields(row) { return Array.prototype.slice.call(row.querySelectorAll("input, select")); }
  function rowsOf(grid) {
    return Array.prototype.filter.call(grid.tBodies[0].rows, function (row) { return fields(row).length > 0; });
  }
  function oneMore(grid) {
    var rows = rowsOf(grid), number = rows.length + 1, row = rows[rows.length - 1].cloneNode(true);
    row.cells[0].textContent = number;
    fields(row).forEach(function (field) {
      field.value = "";
      field.id = field.id.replace(/^r[0-9]+/, "r" + number);
      field.setAttribute("aria-label", field.getAttribute("aria-label").replace(/[0-9]+$/, number));
      field.removeAttribute("aria-invalid");
      field.classList.remove("is-invalid");
    });
    row.classList.remove("fb-later");
    grid.tBodies[0].appendChild(row);
    return row;
  }
  /* On a phone a row is open once something is said in it, or somebody asks for one more. */
  function open(row) {
    if (row) { row.classList.remove("fb-later"); }
    return row;
  }
  document.addEventListener("click", function (event) {
    var button = event.target.closest("[data-fb-one-more-row]");
    if (!button) { return; }
    var grid = button.form.querySelector("[data-fb-grid]");
    fields(open(grid.querySelector("tr.fb-later")) || oneMore(grid))[0].focus();
  });
  function put(field, text) {
    if (field.tagName === "SELECT") {
      var option = Array.prototype.find.call(field.options, function (each) {
        return each.value === text.toLowerCase() || each.text.toLowerCase() === text.toLowerCase();
      });
      text = option ? option.value : field.value;
    }
    field.value = text;
    open(field.closest("tr"));
    field.dispatchEvent(new Event("input", { bubbles: true }));
  }
  document.addEventListener("keydown", function (event) {
    var grid = event.target.closest("[data-fb-grid]");
    var copies = event.key === "d" && (event.ctrlKey || event.metaKey);
    if (!grid || (!copies && (event.key !== "Enter" || event.target.tagName === "BUTTON"))) { return; }
    event.preventDefault();
    var rows = rowsOf(grid), at = rows.indexOf(event.target.closest("tr")), column = fields(rows[at]).indexOf(event.target);
    if (copies) {
      if (at > 0) { put(event.target, fields(rows[at - 1])[column].value); }
      return;
    }
    fields(open(rows[at + 1]) || oneMore(grid))[column].focus();
  });
  /* Several stretches of hours: what was picked goes into the list, and the pickers are free for the next. */
  document.addEventListener("click", function (event) {
    var button = event.target.closest("[data-fb-one-more-stretch]");
    if (!button) { return; }
    var form = button.form, from = form.elements.start, until = form.elements.end, list = form.elements.stretches;
    if (!from.value || !until.value) { (from.value ? until : from).focus(); return; }
    var lines = list.value.split(/\s*\n\s*/).filter(Boolean).concat(from.value + "/" + until.value);
    list.rows = lines.length + 1;
    put(list, lines.join("\n"));
    put(from, "");
    put(until, "");
    from.focus();
  });
  document.addEventListener("paste", function (event) {
    var grid = event.target.closest("[data-fb-grid]"), text = event.clipboardData.getData("text/plain");
    if (!grid || !/[\t\n]/.test(text.trim())) { return; }
    event.preventDefault();
    var at = rowsOf(grid).indexOf(event.target.closest("tr"));
    var column = fields(rowsOf(grid)[at]).indexOf(event.target);
    text.replace(/\r/g, "").replace(/\n+$/, "").split("\n").forEach(function (line, down) {
      var row = rowsOf(grid)[at + down] || oneMore(grid);
      line.split("\t").forEach(function (cell, right) {
        var field = fields(row)[column + right];
        if (field) { put(field, cell.trim()); }
      });
    });
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
  window.addEventListener("pageshow", function () {
    document.querySelectorAll("[data-fb-ticked]").forEach(function (place) { scope(place.closest("form")); });
  });
  window.setInterval(tick, 1000);
})();
