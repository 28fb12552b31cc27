(function () {
  "use strict";
  var all = document.querySelectorAll("details");
  var list = document.getElementById("line-list");
  var tools = document.getElementById("line-tools");

  function reveal() {
    var id = decodeURIComponent(location.hash.slice(1));
    var target = id && document.getElementById(id);
    if (target && target.tagName === "DETAILS") { target.open = true; }
  }
  window.addEventListener("hashchange", reveal);
  reveal();

  var shut = [];
  window.addEventListener("beforeprint", function () {
    shut = Array.prototype.filter.call(all, function (d) { return !d.open; });
    shut.forEach(function (d) { d.open = true; });
  });
  window.addEventListener("afterprint", function () {
    shut.forEach(function (d) { d.open = false; });
  });

  if (!list || !tools) { return; }
  var rows = Array.prototype.map.call(list.querySelectorAll("details"), function (d) {
    return {
      node: d,
      words: d.querySelector("summary").textContent.toLowerCase(),
      site: d.querySelector(".where b").textContent,
      state: d.getAttribute("data-state")
    };
  });
  var words = document.getElementById("find-words");
  var site = document.getElementById("find-site");
  var state = document.getElementById("find-state");
  var found = document.getElementById("find-count");

  function sift() {
    var wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
    var shown = 0;
    rows.forEach(function (row) {
      var fits = wanted.every(function (w) { return row.words.indexOf(w) >= 0; }) &&
        (!site.value || row.site.indexOf(site.value) >= 0) &&
        (!state.value || row.state === state.value);
      row.node.hidden = !fits;
      shown += fits ? 1 : 0;
    });
    found.textContent = shown + " of " + rows.length + " lines";
  }
  [words, site, state].forEach(function (field) { field.addEventListener("input", sift); });
  tools.addEventListener("reset", function () { setTimeout(sift, 0); });
  tools.addEventListener("submit", function (event) { event.preventDefault(); });
  document.getElementById("open-all").addEventListener("click", function () {
    var shown = rows.filter(function (row) { return !row.node.hidden; });
    var open = shown.some(function (row) { return !row.node.open; });
    shown.forEach(function (row) { row.node.open = open; });
  });
  tools.hidden = false;
  sift();
}());
