/* Marks on a picture by mouse, finger or keys: lines along what is long, ovals round what is round. */
(function () {
  "use strict";
  var SVG = "http://www.w3.org/2000/svg", STEP = 0.02, MOST_POINTS = 40;

  function make(parent, tag, attributes) {
    var element = document.createElementNS(SVG, tag);
    Object.keys(attributes || {}).forEach(function (name) { element.setAttribute(name, attributes[name]); });
    parent.appendChild(element);
    return element;
  }

  function ovalPath(a, b) {
    var rx = Math.abs(b[0] - a[0]) / 2, ry = Math.abs(b[1] - a[1]) / 2, x = Math.min(a[0], b[0]), y = (a[1] + b[1]) / 2;
    return "M" + x + "," + y + "a" + rx + "," + ry + " 0 1 0 " + 2 * rx + ",0a" + rx + "," + ry + " 0 1 0 " + -2 * rx + ",0Z";
  }

  function linePath(points, closed) {
    return "M" + points.map(function (p) { return p[0].toFixed(1) + "," + p[1].toFixed(1); }).join("L") + (closed ? "Z" : "");
  }

  function thin(points) {
    if (points.length <= MOST_POINTS) { return points; }
    var out = [];
    for (var i = 0; i < MOST_POINTS; i += 1) { out.push(points[Math.round(i * (points.length - 1) / (MOST_POINTS - 1))]); }
    return out;
  }

  /* task: picture, size_px, frame, mm_per_px. changed: called whenever the marks are other than before. */
  function canvas(box, task, changed) {
    var frame = task.frame.slice(), whole = task.frame, unit = Math.max(frame[2], frame[3]) / 34;
    var svg = make(box, "svg", { tabindex: "0", role: "application", width: 4 * frame[2], height: 4 * frame[3] });
    svg.setAttribute("aria-label", "Picture to be marked. Arrow keys move a cross, Enter begins and ends a mark, Escape drops it.");
    make(svg, "image", { href: task.picture, x: -0.5, y: -0.5, width: task.size_px[0], height: task.size_px[1] });
    var below = make(svg, "g"), drawn = make(svg, "g"), above = make(svg, "g");
    var self = { marks: [], tool: "line", locked: false }, current = null, panning = null, cross = null;

    function show() { svg.setAttribute("viewBox", [frame[0] - 0.5, frame[1] - 0.5, frame[2], frame[3]].join(" ")); scaleBar(); }

    function scaleBar() {
      below.textContent = "";
      if (!task.mm_per_px) { return; }
      var room = 0.24 * frame[2] * task.mm_per_px, power = Math.pow(10, Math.floor(Math.log10(room)));
      var mm = (room / power >= 5 ? 5 : room / power >= 2 ? 2 : 1) * power, long = mm / task.mm_per_px;
      var u = Math.max(frame[2], frame[3]) / 42, x = frame[0] + 0.04 * frame[2], y = frame[1] + frame[3] - 1.2 * u;
      var d = "M" + x + "," + (y - 0.35 * u) + "v" + 0.7 * u + "M" + x + "," + y + "h" + long + "m0," + -0.35 * u + "v" + 0.7 * u;
      make(below, "path", { "class": "under bar", d: d });
      make(below, "path", { "class": "over bar", d: d });
      var text = make(below, "text", { "class": "tag", transform: "translate(" + x + " " + (y - 0.7 * u) + ") scale(" + 1.25 * u + ")" });
      text.textContent = Number(mm.toPrecision(3)) + " mm";
    }

    function place(event) {
      var matrix = svg.getScreenCTM().inverse(), point = svg.createSVGPoint();
      point.x = event.clientX;
      point.y = event.clientY;
      point = point.matrixTransform(matrix);
      return [Math.round(point.x * 10) / 10, Math.round(point.y * 10) / 10];
    }

    function pathOf(mark) {
      var points = mark.points_px;
      return mark.shape === "line" ? linePath(points) : ovalPath(points[0], points[points.length - 1]);
    }

    function stroke(parent, d, look, tag, at) {
      make(parent, "path", { "class": "under " + look, d: d });
      make(parent, "path", { "class": "over " + look, d: d });
      if (tag) {
        var text = make(parent, "text", { "class": "tag", transform: "translate(" + at[0] + " " + at[1] + ") scale(" + unit * frame[2] / whole[2] + ")" });
        text.textContent = tag;
      }
    }

    function draw() {
      drawn.textContent = "";
      self.marks.forEach(function (mark, index) {
        var xs = mark.points_px.map(function (p) { return p[0]; }), ys = mark.points_px.map(function (p) { return p[1]; });
        stroke(drawn, pathOf(mark), "mine", String(index + 1), [Math.max.apply(null, xs) + 0.3 * unit, Math.min.apply(null, ys)]);
      });
      if (current) { stroke(drawn, pathOf(current), "mine"); }
      if (cross) {
        var r = 0.02 * frame[2];
        make(drawn, "path", { "class": "cross", d: "M" + (cross[0] - r) + "," + cross[1] + "h" + 2 * r + "M" + cross[0] + "," + (cross[1] - r) + "v" + 2 * r });
      }
    }

    function finish() {
      var mark = current, points = mark.points_px, a = points[0], b = points[points.length - 1];
      current = null;
      var least = 0.006 * Math.max(whole[2], whole[3]);
      if (Math.hypot(a[0] - b[0], a[1] - b[1]) < least && points.length < 4) {
        if (mark.shape === "line") { draw(); return; }
        mark.points_px = [[a[0] - least, a[1] - least], [a[0] + least, a[1] + least]];
      } else {
        mark.points_px = mark.shape === "line" ? thin(points) : [a, b];
      }
      mark.kind = "";
      mark.length_mm = null;
      self.marks.push(mark);
      draw();
      changed();
    }

    function begin(at) { current = { shape: self.tool, points_px: [at, at] }; }

    svg.addEventListener("pointerdown", function (event) {
      if (self.locked && self.tool !== "move" || event.button > 0) { return; }
      event.preventDefault();
      svg.setPointerCapture(event.pointerId);
      cross = null;
      if (self.tool === "move") { panning = { x: event.clientX, y: event.clientY, frame: frame.slice() }; return; }
      begin(place(event));
      draw();
    });
    svg.addEventListener("pointermove", function (event) {
      if (panning) {
        var matrix = svg.getScreenCTM();
        frame[0] = panning.frame[0] - (event.clientX - panning.x) / matrix.a;
        frame[1] = panning.frame[1] - (event.clientY - panning.y) / matrix.d;
        keepInside();
        show();
      } else if (current) {
        if (current.shape === "line") { current.points_px.push(place(event)); } else { current.points_px[1] = place(event); }
        draw();
      }
    });
    svg.addEventListener("pointerup", function (event) {
      panning = null;
      if (current) {
        if (current.shape === "line") { current.points_px.push(place(event)); } else { current.points_px[1] = place(event); }
        finish();
      }
    });
    svg.addEventListener("pointercancel", function () { panning = null; current = null; draw(); });
    svg.addEventListener("keydown", function (event) {
      var moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }, move = moves[event.key];
      if (self.locked || self.tool === "move" && !move) { return; }
      if (move) {
        cross = cross || [frame[0] + frame[2] / 2, frame[1] + frame[3] / 2];
        var step = (event.shiftKey ? 0.2 : 1) * STEP * frame[2];
        cross = [cross[0] + move[0] * step, cross[1] + move[1] * step];
        if (current) { current.points_px[1] = cross.slice(); }
      } else if (event.key === "Enter" && cross) {
        if (current) { finish(); } else { begin(cross.slice()); }
      } else if (event.key === "Escape") {
        current = null;
      } else { return; }
      event.preventDefault();
      draw();
    });

    function keepInside() {
      for (var axis = 0; axis < 2; axis += 1) {
        frame[axis] = Math.min(Math.max(frame[axis], whole[axis]), whole[axis] + whole[axis + 2] - frame[axis + 2]);
      }
    }

    self.zoom = function (factor) {
      var times = Math.min(6, Math.max(1, whole[2] / frame[2] * factor)), cx = frame[0] + frame[2] / 2, cy = frame[1] + frame[3] / 2;
      frame[2] = whole[2] / times;
      frame[3] = whole[3] / times;
      frame[0] = cx - frame[2] / 2;
      frame[1] = cy - frame[3] / 2;
      keepInside();
      show();
      draw();
      return times;
    };
    self.drop = function (index) { self.marks.splice(index, 1); draw(); changed(); };
    self.answer = function (items, result) {
      self.locked = true;
      current = null;
      cross = null;
      draw();
      items.forEach(function (item, index) {
        var look = !item.scored ? "disputed" : result.missed.indexOf(index) >= 0 ? "missed" : "ref";
        var xs = item.outline_px.map(function (p) { return p[0]; }), ys = item.outline_px.map(function (p) { return p[1]; });
        stroke(above, linePath(item.outline_px, true), look, item.name, [Math.max.apply(null, xs) + 0.3 * unit, Math.max.apply(null, ys) + 0.8 * unit]);
      });
    };
    show();
    return self;
  }

  window.specimeterCanvas = canvas;
}());
