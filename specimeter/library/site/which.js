/* Which test shows what is sought: the same ranking as `specimeter library which-test`, from the table in knowledge.js. */
(function () {
  "use strict";
  var known = window.specimeterKnowledge;
  var WORTH = { yes: 1.0, partial: 0.4, no: 0.0 };

  function thickness(test, mm) {
    if (mm === null) { return ""; }
    if (test.least !== null && mm < test.least) { return "usual from " + test.least + " mm up, this joint has " + mm + " mm"; }
    if (test.most !== null && mm > test.most) { return "usual up to " + test.most + " mm, this joint has " + mm + " mm"; }
    return "";
  }

  function advise(sought, joint, mm) {
    var out = [];
    known.tests.forEach(function (test) {
      if (test.joints.indexOf(joint) < 0) { return; }
      var lines = known.coverage.filter(function (line) { return line[0] === test.id; });
      var asked = lines.filter(function (line) { return sought.indexOf(line[1]) >= 0; });
      if (!asked.length) { return; }
      var fits = thickness(test, mm), worth = 0;
      asked.forEach(function (line) { worth += WORTH[line[2]]; });
      worth = worth / sought.length * (fits ? 0.5 : 1.0);
      var else_ = lines.filter(function (line) { return line[2] === "no" && sought.indexOf(line[1]) < 0; });
      out.push({ test: test, asked: asked, worth: worth, fits: fits, else_: else_ });
    });
    return out.sort(function (a, b) {
      return b.worth - a.worth || a.test.plane - b.test.plane || a.else_.length - b.else_.length || (a.test.id < b.test.id ? -1 : 1);
    });
  }
  window.specimeterAdvise = advise;

  var form = document.querySelector("form.ask");
  if (!form) { return; }
  var list = document.querySelector("ol.advice"), told = document.querySelector(".found");
  var VERBS = { yes: "Shows ", partial: "Shows in part ", no: "Misses " };

  function words(parent, tag, text, look) {
    var element = document.createElement(tag);
    element.textContent = text;
    if (look) { element.className = look; }
    parent.appendChild(element);
    return element;
  }

  function answer() {
    var sought = Array.prototype.filter.call(form.elements.sought, function (box) { return box.checked; })
      .map(function (box) { return box.value; });
    var mm = parseFloat(form.elements.thickness.value.replace(",", "."));
    list.textContent = "";
    if (!sought.length) { told.textContent = "Tick what is sought."; return; }
    var advice = advise(sought, form.elements.joint.value, isFinite(mm) ? mm : null);
    told.textContent = advice.length + " tests can be made from this joint, the best for what is sought first.";
    advice.forEach(function (one) {
      var item = document.createElement("li");
      item.className = one.worth >= 0.75 ? "good" : one.worth > 0.15 ? "fair" : "poor";
      var title = words(item, "h2", "", "small"), link = words(title, "a", one.test.name.charAt(0).toUpperCase() + one.test.name.slice(1));
      link.href = "tests/" + one.test.id + ".html";
      words(item, "p", one.test.nature === "quantitative" ? "Quantitative: gives a number." : "Qualitative: shows soundness, gives no number for strength.", "note");
      ["yes", "partial", "no"].forEach(function (capability) {
        one.asked.filter(function (line) { return line[2] === capability; }).forEach(function (line) {
          var row = words(item, "p", "");
          words(row, "span", VERBS[capability] + known.names[line[1]], capability);
          if (line[3]) { row.appendChild(document.createTextNode(": " + line[3])); }
        });
      });
      if (one.fits) { words(item, "p", "Thickness: " + one.fits + ".", "note"); }
      var lost = one.else_.map(function (line) { return known.names[line[1]]; });
      if (lost.length) { words(item, "p", "It would also miss: " + lost.join(", ") + ".", "note"); }
      list.appendChild(item);
    });
  }
  form.addEventListener("input", answer);
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  answer();
}());
