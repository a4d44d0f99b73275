/* Instant search over the entries that data.js brings: words by their beginnings, filters, best examples first. */
(function () {
  "use strict";
  var library = window.specimeterLibrary;
  var form = document.querySelector("form.search");
  var list = document.querySelector("ul.contact");
  var found = document.querySelector(".found");
  var more = document.querySelector("button.more");
  if (!library || !form) { return; }
  var STEP = 60, SLICE_MS = 10, AT_LEAST = 2000, shown = STEP, turn = 0;

  function plain(text) {
    return text.normalize("NFD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
  }
  function textOf(entry) {
    if (entry.text === undefined) { entry.text = " " + plain(entry.w).split(/[^\p{L}\p{N}]+/u).filter(Boolean).join(" ") + " "; }
    return entry.text;
  }

  function value(name) { return form.elements[name].value; }

  function fits(entry, words, wanted) {
    if (wanted.kind && entry.k.indexOf(wanted.kind) < 0) { return false; }
    if (wanted.test && entry.t !== wanted.test) { return false; }
    if (wanted.process && entry.p !== wanted.process) { return false; }
    if (wanted.clean && String(entry.c) !== wanted.clean) { return false; }
    if (wanted.least !== null || wanted.most !== null) {
      var inside = entry.l.some(function (pair) {
        return (wanted.least === null || pair[0] >= wanted.least) && (wanted.most === null || pair[0] <= wanted.most) &&
          (!wanted.kind || pair.indexOf(wanted.kind) > 0);
      });
      if (!inside) { return false; }
    }
    return words.every(function (word) {
      return textOf(entry).indexOf(word.length > 1 ? " " + word : " " + word + " ") >= 0;
    });
  }

  function card(entry) {
    var item = document.createElement("li"), link = document.createElement("a"), picture = document.createElement("img");
    link.href = "entries/" + entry.i + ".html";
    picture.src = entry.u;
    picture.alt = "";
    picture.loading = "lazy";
    link.appendChild(picture);
    [["name", entry.n], ["about", entry.a]].forEach(function (part) {
      var words = document.createElement("span");
      words.className = part[0];
      words.textContent = part[1];
      link.appendChild(words);
    });
    item.appendChild(link);
    return item;
  }

  function number(text) {
    var parsed = parseFloat(text.replace(",", "."));
    return isFinite(parsed) ? parsed : null;
  }

  function search() {
    var words = plain(value("words")).split(/[^\p{L}\p{N}]+/u).filter(Boolean);
    var wanted = {
      kind: value("kind"), test: value("test"), process: value("process"), clean: value("clean"),
      least: number(value("least")), most: number(value("most"))
    };
    var own = turn += 1, at = 0, hits = 0, cards = document.createDocumentFragment();
    list.textContent = "";
    document.documentElement.removeAttribute("data-found");

    /* A slice at a time, so that typing never waits; the best examples stand first in the data. */
    function slice() {
      if (own !== turn) { return; }
      var start = performance.now(), entries = library.entries, least = at + AT_LEAST;
      while (at < entries.length && (at < least || performance.now() - start < SLICE_MS)) {
        if (fits(entries[at], words, wanted)) {
          hits += 1;
          if (hits <= shown) { cards.appendChild(card(entries[at])); }
        }
        at += 1;
      }
      list.appendChild(cards);
      more.hidden = hits <= shown;
      if (at < entries.length) {
        found.textContent = "Searching, " + hits + " so far";
        setTimeout(slice, 0);
        return;
      }
      found.textContent = hits === 0 ? "Nothing fits. Take away a word or a filter." :
        hits + (hits === 1 ? " picture" : " pictures") + ", the best examples first";
      document.documentElement.setAttribute("data-found", String(hits));
    }
    slice();
  }

  form.addEventListener("input", function () { shown = STEP; search(); });
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  form.addEventListener("reset", function () { setTimeout(function () { shown = STEP; search(); }, 0); });
  more.addEventListener("click", function () { shown += STEP; search(); });
  search();
}());
