/* The course of an exercise: name, pictures and questions in turn, the answer with its reason at once, the result as a file. */
(function () {
  "use strict";
  var exercise = window.specimeterExercise, marking = window.specimeterMarking, main = document.getElementById("exercise");
  if (!exercise || !main) { return; }
  var STORE = "specimeter-exercise-" + exercise.id, key = reveal(exercise.answers);
  var state = { trainee: "", started: null, at: 0, done: [] };

  function reveal(text) {
    if (!text) { return null; }
    var bytes = atob(text), out = new Uint8Array(bytes.length);
    for (var i = 0; i < bytes.length; i += 1) { out[i] = bytes.charCodeAt(i) ^ exercise.id.charCodeAt(i % exercise.id.length); }
    return JSON.parse(new TextDecoder().decode(out));
  }

  function el(parent, tag, text, attributes) {
    var element = document.createElement(tag);
    if (text) { element.textContent = text; }
    Object.keys(attributes || {}).forEach(function (name) { element.setAttribute(name, attributes[name]); });
    if (parent) { parent.appendChild(element); }
    return element;
  }

  function button(parent, text, work, attributes) {
    var element = el(parent, "button", text, Object.assign({ type: "button" }, attributes));
    element.addEventListener("click", work);
    return element;
  }

  function stored() {
    try { return JSON.parse(window.localStorage.getItem(STORE)); } catch (error) { return null; }
  }
  function store() {
    try { window.localStorage.setItem(STORE, JSON.stringify(state)); } catch (error) { /* a browser that keeps nothing */ }
  }
  function forget() {
    try { window.localStorage.removeItem(STORE); } catch (error) { /* as above */ }
  }

  function page(title) {
    main.textContent = "";
    var head = el(main, "h1", title, { tabindex: "-1" });
    window.scrollTo(0, 0);
    head.focus({ preventScroll: true });
    return main;
  }

  /* ---- the beginning */
  function start() {
    page(exercise.title);
    var number = exercise.tasks.length;
    el(main, "p", number + (number === 1 ? " task" : " tasks") + (exercise.examination ? ", an examination: the answers come from your trainer." : ", each answered at once with the reason."), { "class": "lead quiet" });
    var how = el(main, "ul");
    ["Draw a line from tip to tip along what is long; drag an oval over what is round. A picture may hold nothing at all, one thing, or many.",
      "Say what kind each is, and how long it is in millimetres, by the scale bar.",
      exercise.limits ? "Then accept or reject. " + exercise.limits : "",
      "By keyboard: arrow keys move a cross over the picture, Enter begins and ends a mark."].filter(Boolean).forEach(function (line) { el(how, "li", line); });
    var label = el(main, "label", "Your name, as your trainer knows it", { "class": "field" });
    var name = el(label, "input", "", { id: "trainee", autocomplete: "name", maxlength: "80" });
    var tools = el(main, "div", "", { "class": "tools" });
    button(tools, "Begin", function () {
      if (!name.value.trim()) { name.focus(); note.textContent = "Please give your name first."; return; }
      state = { trainee: name.value.trim(), started: new Date().toISOString(), at: 0, done: [] };
      store();
      next();
    }, { "class": "main", id: "begin" });
    var before = stored();
    if (before && before.done && before.at < number) {
      button(tools, "Go on as " + before.trainee + ", at task " + (before.at + 1), function () { state = before; next(); }, { id: "resume" });
    }
    var note = el(main, "p", "", { "class": "note", "aria-live": "polite" });
  }

  function next() {
    if (state.at >= exercise.tasks.length) { end(); return; }
    var task = exercise.tasks[state.at];
    (task.type === "which" ? quiz : picture)(task, key && key[state.at]);
  }

  function headed(task, what) {
    page(what + " " + (state.at + 1) + " of " + exercise.tasks.length);
    el(main, "progress", "", { max: String(exercise.tasks.length), value: String(state.at), "aria-label": "how far you are" });
    el(main, "p", task.says, { "class": "lead quiet" });
  }

  function keep(entry) {
    state.done.push(entry);
    state.at += 1;
    store();
  }

  function goOn(parent) {
    button(parent, state.at < exercise.tasks.length ? "Next" : "See the result", next, { "class": "main", id: "next" }).focus({ preventScroll: true });
  }

  /* ---- a picture */
  function picture(task, answer) {
    headed(task, "Picture");
    var began = Date.now(), bench = el(main, "div", "", { "class": "bench" }), left = el(bench, "div"), right = el(bench, "div");
    var view = el(left, "div", "", { "class": "view" }), tools = el(left, "div", "", { "class": "tools", role: "toolbar", "aria-label": "Tools" });
    el(right, "h2", "Your marks", { "class": "small" });
    var list = el(right, "ol", "", { "class": "marks" });
    var canvas = window.specimeterCanvas(view, task, redraw), picks = {};
    [["line", "Line"], ["oval", "Oval"], ["move", "Move"]].forEach(function (tool) {
      picks[tool[0]] = button(tools, tool[1], function () { choose(tool[0]); }, { id: "tool-" + tool[0] });
    });
    button(tools, "+", function () { canvas.zoom(1.5); }, { "aria-label": "larger", id: "larger" });
    button(tools, "\u2212", function () { canvas.zoom(1 / 1.5); }, { "aria-label": "smaller", id: "smaller" });
    function choose(tool) {
      canvas.tool = tool;
      Object.keys(picks).forEach(function (name) { picks[name].setAttribute("aria-pressed", String(name === tool)); });
    }
    choose("line");

    function redraw() {
      list.textContent = "";
      canvas.marks.forEach(function (mark, index) {
        var item = el(list, "li");
        el(item, "strong", (index + 1) + ", " + mark.shape);
        button(item, "drop", function () { canvas.drop(index); }, { "class": "drop", "aria-label": "drop mark " + (index + 1) });
        var label = el(item, "label", "kind", { "class": "field" }), select = el(label, "select", "", { "data-kind": String(index) });
        el(select, "option", "choose", { value: "" });
        exercise.kinds.forEach(function (kind) { el(select, "option", kind[1], { value: kind[0] }); });
        select.value = mark.kind;
        select.addEventListener("change", function () { mark.kind = select.value; });
        label = el(item, "label", "length, mm", { "class": "field" });
        var size = el(label, "input", "", { inputmode: "decimal", autocomplete: "off", "data-length": String(index) });
        size.value = mark.length_mm === null ? "" : String(mark.length_mm);
        size.addEventListener("input", function () {
          var value = parseFloat(size.value.replace(",", "."));
          mark.length_mm = isFinite(value) && value > 0 ? value : null;
        });
      });
      if (!canvas.marks.length) { el(list, "li", "None yet. If you see nothing, mark nothing.", { "class": "quiet" }); }
    }
    redraw();

    var verdict = null, group = null;
    if (exercise.limits) {
      group = el(right, "fieldset", "", { "class": "verdicts" });
      el(group, "legend", exercise.limits);
      ["accept", "reject"].forEach(function (choice) {
        var label = el(group, "label", "", { "class": "choice" });
        var box = el(label, "input", "", { type: "radio", name: "verdict", value: choice, id: "verdict-" + choice });
        el(label, "span", choice);
        box.addEventListener("change", function () { verdict = choice; });
      });
    }
    var note = el(right, "p", "", { "class": "note", "aria-live": "polite" });
    var done = button(right, exercise.examination ? "Hand in" : "Check", function () {
      if (canvas.marks.some(function (mark) { return !mark.kind; })) { note.textContent = "Say what kind each mark is."; return; }
      if (exercise.limits && !verdict) { note.textContent = "Accept or reject?"; return; }
      note.textContent = "";
      var entry = { task: task.id, marks: canvas.marks, verdict: verdict, seconds: Math.round((Date.now() - began) / 1000) };
      if (answer) { entry.result = marking.marked(answer, canvas.marks, verdict); delete entry.result.near; }
      keep(entry);
      list.textContent = "";
      canvas.marks.forEach(function (mark, index) {
        el(list, "li", (index + 1) + ": " + name(mark.kind) + (mark.length_mm === null ? "" : ", " + mark.length_mm + " mm"), { "class": "brief" });
      });
      if (!canvas.marks.length) { el(list, "li", "You marked nothing.", { "class": "brief" }); }
      if (verdict) { group.textContent = ""; el(group, "legend", "You said: " + verdict + "."); }
      canvas.locked = true;
      picks.line.remove();
      picks.oval.remove();
      choose("move");
      done.remove();
      view.classList.add("done");
      if (answer) { explain(right, task, answer, canvas, verdict); }
      goOn(right);
      view.scrollIntoView({ block: "nearest" });
    }, { "class": "main", id: "check" });
  }

  function name(kind) {
    var found = exercise.kinds.filter(function (one) { return one[0] === kind; });
    return found.length ? found[0][1] : kind;
  }

  function explain(parent, task, answer, canvas, verdict) {
    var result = marking.marked(answer, canvas.marks, verdict);
    answer.items.forEach(function (item, index) { item.name = String.fromCharCode(65 + index % 26); });
    canvas.answer(answer.items, result);
    var fine = !result.missed.length && !result["false"].length && result.verdict !== "wrong";
    var box = el(parent, "div", "", { "class": "answer " + (fine ? "fine" : "bad"), role: "status", id: "answer" });
    el(box, "h2", !answer.items.some(function (item) { return item.scored; }) ?
      (result["false"].length ? "Nothing to be found here" : "Right: nothing to be found here") :
      result.hits.length + " of " + (result.hits.length + result.missed.length) + " found" +
      (result["false"].length ? ", " + result["false"].length + " marked where nothing is" : ""));
    var lines = el(box, "ul");
    answer.items.forEach(function (item, index) {
      var hit = result.hits.filter(function (pair) { return pair[1] === index; })[0], text = item.name + ": ";
      text += item.kinds.length ? item.kinds.map(name).join(" or ") : "the readers disagree on its kind";
      if (item.length_mm !== null) { text += ", " + item.length_mm.toFixed(1) + " mm"; }
      text += hit ? ", found." : item.scored ? ", missed." : ", not scored: " + item.note + ".";
      if (hit) {
        var mark = canvas.marks[hit[0]], near = marking.closeness(mark, item, answer.tolerance_px);
        if (item.kinds.length && item.kinds.indexOf(mark.kind) < 0) { text += " You called it " + name(mark.kind) + "."; }
        if (mark.length_mm !== null && item.length_mm !== null) {
          text += " You said " + mark.length_mm + " mm (" + (Math.abs(mark.length_mm - item.length_mm) <= item.tolerance_mm ? "near enough" : "allowed: " + item.tolerance_mm.toFixed(1) + " mm off") + ").";
        }
        if (item.long && task.mm_per_px) { text += " Tips off by " + (near.tips * task.mm_per_px).toFixed(1) + " mm."; }
        if (!item.long && near.overlap !== null) { text += " Overlap " + Math.round(100 * near.overlap) + " %" + (task.mm_per_px ? ", edge off by " + (near.boundary * task.mm_per_px).toFixed(1) + " mm." : "."); }
      }
      var line = el(lines, "li", text);
      if (item.why) { el(line, "div", item.why, { "class": "note" }); }
    });
    result["false"].forEach(function (mark) { el(lines, "li", "Your mark " + (mark + 1) + ": nothing is there."); });
    result.unscored.forEach(function (mark) { el(lines, "li", "Your mark " + (mark + 1) + ": on a disputed or very small place, not scored."); });
    if (answer.because) {
      el(box, "p", (result.verdict === "right" ? "Verdict right: " : result.verdict === "wrong" ? "Verdict wrong: " : "") + answer.because);
    }
    el(box, "p", "Reference: " + answer.basis + ".", { "class": "note" });
    if (answer.beside) {
      var figure = el(box, "figure", "", { "class": "beside" });
      el(figure, "img", "", { src: answer.beside, alt: "A clean face of the same test" });
      el(figure, "figcaption", "A clean face of the same test, to compare.");
    }
  }

  /* ---- which test? */
  function quiz(task, answer) {
    headed(task, "Question");
    var began = Date.now(), form = el(main, "fieldset", "", { "class": "checks" }), chosen = null;
    el(form, "legend", "Which test shows it best?");
    task.choices.forEach(function (choice) {
      var label = el(form, "label", "", { "class": "choice" });
      var box = el(label, "input", "", { type: "radio", name: "choice", value: choice[0], id: "choice-" + choice[0] });
      el(label, "span", choice[1]);
      box.addEventListener("change", function () { chosen = choice[0]; });
    });
    var note = el(main, "p", "", { "class": "note", "aria-live": "polite" });
    var done = button(main, exercise.examination ? "Hand in" : "Check", function () {
      if (!chosen) { note.textContent = "Choose one."; return; }
      var entry = { task: task.id, choice: chosen, seconds: Math.round((Date.now() - began) / 1000) };
      if (answer) { entry.right = answer.right.indexOf(chosen) >= 0; }
      keep(entry);
      Array.prototype.forEach.call(form.querySelectorAll("input"), function (box) { box.disabled = true; });
      done.remove();
      if (answer) {
        var box = el(main, "div", "", { "class": "answer " + (entry.right ? "fine" : "bad"), role: "status", id: "answer" });
        el(box, "h2", entry.right ? "Right" : "Another test shows it better");
        var lines = el(box, "ul");
        answer.because.forEach(function (line) { el(lines, "li", line); });
      }
      goOn(main);
    }, { "class": "main", id: "check" });
  }

  /* ---- the end */
  function end() {
    page("Done, " + state.trainee);
    if (key) { summary(); } else { el(main, "p", "Your trainer marks it: save the result and hand it over.", { "class": "lead quiet" }); }
    var tools = el(main, "div", "", { "class": "tools" });
    button(tools, "Save the result", save, { "class": "main", id: "save" });
    button(tools, "Print", function () { window.print(); });
    button(tools, "Begin again", function () { forget(); start(); });
    el(main, "p", "The file goes to your trainer, who collects and marks it again.", { "class": "note" });
  }

  function summary() {
    var find = [], named = [0, 0], sized = [0, 0], verdicts = [0, 0], serious = 0, which = [0, 0], kinds = {};
    state.done.forEach(function (entry, index) {
      if ("choice" in entry) { which[0] += entry.right ? 1 : 0; which[1] += 1; return; }
      var result = entry.result, items = key[index].items;
      find.push(result.finding);
      [0, 1].forEach(function (part) { named[part] += result.named[part]; sized[part] += result.sized[part]; });
      if (result.verdict) { verdicts[1] += 1; verdicts[0] += result.verdict === "right" ? 1 : 0; }
      serious += result.serious ? 1 : 0;
      items.forEach(function (item, i) {
        if (!item.scored || !item.kinds.length) { return; }
        var row = kinds[item.kinds[0]] = kinds[item.kinds[0]] || [0, 0];
        row[1] += 1;
        row[0] += result.missed.indexOf(i) < 0 ? 1 : 0;
      });
    });
    function share(pair) { return pair[1] ? Math.round(100 * pair[0] / pair[1]) + " %" : "\u2013"; }
    var sum = el(main, "div", "", { "class": "sum" });
    [["finding", find.length ? Math.round(100 * find.reduce(function (a, b) { return a + b; }, 0) / find.length) + " %" : "\u2013"],
      ["naming", share(named)], ["size", share(sized)], ["verdict", share(verdicts)], ["which test", share(which)],
      ["serious misses", String(serious)]].forEach(function (part) {
      if (part[1] === "\u2013") { return; }
      var box = el(sum, "div");
      el(box, "b", part[1]);
      el(box, "span", part[0]);
    });
    var names = Object.keys(kinds);
    if (!names.length) { return; }
    var around = el(main, "div", "", { "class": "wide", tabindex: "0", role: "region", "aria-label": "Found by kind" });
    var table = el(around, "table");
    el(table, "caption", "Found by kind");
    var head = el(el(table, "thead"), "tr");
    ["kind", "found", "of"].forEach(function (text) { el(head, "th", text, { scope: "col" }); });
    var body = el(table, "tbody");
    names.forEach(function (kind) {
      var row = el(body, "tr");
      el(row, "th", name(kind), { scope: "row" });
      el(row, "td", String(kinds[kind][0]));
      el(row, "td", String(kinds[kind][1]));
    });
  }

  function result() {
    return { format: "specimeter-result", version: 1, exercise: exercise.id, title: exercise.title, trainee: state.trainee,
      started: state.started, finished: new Date().toISOString(), tasks: state.done };
  }
  window.specimeterResult = result;

  function save() {
    var link = document.createElement("a");
    var data = new Blob([JSON.stringify(result(), null, 1)], { type: "application/json" });
    link.href = URL.createObjectURL(data);
    link.download = "result-" + exercise.id + "-" + state.trainee.replace(/[^\p{L}\p{N}]+/gu, "-").slice(0, 40) + ".json";
    document.body.appendChild(link);
    link.click();
    link.remove();
    setTimeout(function () { URL.revokeObjectURL(link.href); }, 10000);
  }

  start();
}());
