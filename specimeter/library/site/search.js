/* Instant search over the entries that data.js brings: words by their beginnings, filters, best examples first. */
(function () {
  "use strict";
  var library = window.specimeterLibrary;
  var form = document.querySelector("form.search");
  var list = document.querySelector("ul.contact");
  var found = document.querySelector(".found");
  var more = document.querySelector("button.more");
  if (!library || !form) { return; }
  var STEP = 60, shown = STEP;

  function plain(text) {
    return text.normalize("NFD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
  }
  library.entries.forEach(function (entry) {
    entry.text = " " + plain(entry.w).replace(/[^\p{L}\p{N}]+/gu, " ") + " ";
  });

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
      return entry.text.indexOf(word.length > 1 ? " " + word : " " + word + " ") >= 0;
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
    var hits = library.entries.filter(function (entry) { return fits(entry, words, wanted); });
    list.textContent = "";
    hits.slice(0, shown).forEach(function (entry) { list.appendChild(card(entry)); });
    found.textContent = hits.length === 0 ? "Nothing fits. Take away a word or a filter." :
      hits.length + (hits.length === 1 ? " picture" : " pictures") + ", the best examples first";
    more.hidden = hits.length <= shown;
    document.documentElement.setAttribute("data-found", String(hits.length));
  }

  form.addEventListener("input", function () { shown = STEP; search(); });
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  form.addEventListener("reset", function () { setTimeout(function () { shown = STEP; search(); }, 0); });
  more.addEventListener("click", function () { shown += STEP; search(); });
  search();
}());
