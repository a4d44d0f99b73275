/* Marking: the same as specimeter/library/marking.py, which has the last word when results are collected. */
(function () {
  "use strict";
  var SAMPLES = 33, COVERED = 0.5, GRID = 48, REJECTABLE = 3, OTHER = 1, FALSE_CALL = 1;

  function length(a, b) { return Math.hypot(a[0] - b[0], a[1] - b[1]); }

  function resampled(line) {
    var along = [0], i;
    for (i = 1; i < line.length; i += 1) { along.push(along[i - 1] + length(line[i], line[i - 1])); }
    var whole = along[along.length - 1], out = [], at = 1;
    for (i = 0; i < SAMPLES; i += 1) {
      if (whole === 0) { out.push(line[0].slice()); continue; }
      var want = whole * i / (SAMPLES - 1);
      while (at < line.length - 1 && along[at] < want) { at += 1; }
      var span = along[at] - along[at - 1], share = span > 0 ? (want - along[at - 1]) / span : 0;
      share = Math.min(1, Math.max(0, share));
      out.push([line[at - 1][0] + share * (line[at][0] - line[at - 1][0]), line[at - 1][1] + share * (line[at][1] - line[at - 1][1])]);
    }
    return out;
  }

  function distance(point, line) {
    var best = Infinity;
    for (var i = 1; i < line.length; i += 1) {
      var a = line[i - 1], b = line[i], dx = b[0] - a[0], dy = b[1] - a[1];
      var share = ((point[0] - a[0]) * dx + (point[1] - a[1]) * dy) / Math.max(dx * dx + dy * dy, 1e-12);
      share = Math.min(1, Math.max(0, share));
      best = Math.min(best, Math.hypot(point[0] - a[0] - share * dx, point[1] - a[1] - share * dy));
    }
    return best;
  }

  function markPath(mark) {
    var points = mark.points_px, a = points[0], b = points[points.length - 1];
    if (mark.shape === "line") { return resampled(points); }
    var mx = (a[0] + b[0]) / 2, my = (a[1] + b[1]) / 2;
    return Math.abs(b[0] - a[0]) >= Math.abs(b[1] - a[1]) ?
      resampled([[Math.min(a[0], b[0]), my], [Math.max(a[0], b[0]), my]]) :
      resampled([[mx, Math.min(a[1], b[1])], [mx, Math.max(a[1], b[1])]]);
  }

  function mean(values) { return values.reduce(function (sum, value) { return sum + value; }, 0) / values.length; }

  function overlap(mark, outline) {
    if (mark.shape === "line") { return null; }
    var a = mark.points_px[0], b = mark.points_px[mark.points_px.length - 1];
    var xs = outline.map(function (p) { return p[0]; }).concat(a[0], b[0]);
    var ys = outline.map(function (p) { return p[1]; }).concat(a[1], b[1]);
    var left = Math.min.apply(null, xs), top = Math.min.apply(null, ys);
    var wide = Math.max.apply(null, xs) - left, tall = Math.max.apply(null, ys) - top;
    var rx = Math.max(Math.abs(b[0] - a[0]) / 2, 1e-9), ry = Math.max(Math.abs(b[1] - a[1]) / 2, 1e-9);
    var mx = (a[0] + b[0]) / 2, my = (a[1] + b[1]) / 2, both = 0, joined = 0;
    for (var row = 0; row < GRID; row += 1) {
      for (var column = 0; column < GRID; column += 1) {
        var x = left + (column + 0.5) / GRID * wide, y = top + (row + 0.5) / GRID * tall;
        var mine = Math.pow((x - mx) / rx, 2) + Math.pow((y - my) / ry, 2) <= 1, theirs = false;
        for (var i = 0; i < outline.length; i += 1) {
          var p = outline[i], q = outline[(i + 1) % outline.length];
          if ((p[1] > y) !== (q[1] > y) && x < (q[0] - p[0]) * (y - p[1]) / (q[1] - p[1]) + p[0]) { theirs = !theirs; }
        }
        both += mine && theirs ? 1 : 0;
        joined += mine || theirs ? 1 : 0;
      }
    }
    return joined ? both / joined : 0;
  }

  function boundary(mark, outline) {
    if (mark.shape === "line") { return null; }
    var a = mark.points_px[0], b = mark.points_px[mark.points_px.length - 1], far = [], ring = outline.concat([outline[0]]);
    for (var i = 0; i < SAMPLES; i += 1) {
      var turn = 2 * Math.PI * i / SAMPLES;
      far.push(distance([(a[0] + b[0]) / 2 + Math.abs(b[0] - a[0]) / 2 * Math.cos(turn),
        (a[1] + b[1]) / 2 + Math.abs(b[1] - a[1]) / 2 * Math.sin(turn)], ring));
    }
    return mean(far);
  }

  function closeness(mark, item, tolerance) {
    var path = markPath(mark), truth = item.path_px, last = SAMPLES - 1;
    if (item.long) {
      var away = mean(path.map(function (point) { return distance(point, truth); }));
      var covered = mean(resampled(truth).map(function (point) { return distance(point, path) <= tolerance ? 1 : 0; }));
      var end = truth.length - 1;
      var tips = Math.min((length(path[0], truth[0]) + length(path[last], truth[end])) / 2,
        (length(path[last], truth[0]) + length(path[0], truth[end])) / 2);
      return { hits: away <= tolerance && covered >= COVERED, distance: away, tips: tips, covered: covered };
    }
    var half = item.half_px, extent = length(path[0], path[last]) / 2;
    var centre = [(path[0][0] + path[last][0]) / 2, (path[0][1] + path[last][1]) / 2];
    var far = length(centre, item.centre_px);
    var near = far <= Math.max(tolerance, 0.7 * half);
    var like = extent <= 3 * half + tolerance && extent >= half / 3 - tolerance;
    return { hits: near && like, distance: far, overlap: overlap(mark, item.outline_px), boundary: boundary(mark, item.outline_px) };
  }

  function marked(task, marks, verdict) {
    var items = task.items, tolerance = task.tolerance_px;
    var near = marks.map(function (mark) { return items.map(function (item) { return closeness(mark, item, tolerance); }); });
    var pairs = [], hits = [], again = [], unscored = [], wrong = [];
    marks.forEach(function (_, m) {
      items.forEach(function (item, i) { if (near[m][i].hits && item.scored) { pairs.push([near[m][i].distance, m, i]); } });
    });
    pairs.sort(function (a, b) { return a[0] - b[0] || a[1] - b[1] || a[2] - b[2]; });
    pairs.forEach(function (pair) {
      if (hits.every(function (hit) { return hit[0] !== pair[1] && hit[1] !== pair[2]; })) { hits.push([pair[1], pair[2]]); }
    });
    hits.sort(function (a, b) { return a[0] - b[0]; });
    marks.forEach(function (_, m) {
      if (hits.some(function (hit) { return hit[0] === m; })) { return; }
      var touched = items.filter(function (_, i) { return near[m][i].hits; });
      var scored = touched.some(function (item) { return item.scored; });
      (scored ? again : touched.length ? unscored : wrong).push(m);
    });
    var found = hits.map(function (hit) { return hit[1]; }), asked = [], whole = 0, got = 0, missed = [];
    items.forEach(function (item, i) {
      if (!item.scored) { return; }
      var weight = item.rejectable ? REJECTABLE : OTHER;
      asked.push(i);
      whole += weight;
      if (found.indexOf(i) >= 0) { got += weight; } else { missed.push(i); }
    });
    var clean = asked.length ? 0 : 1;
    var named = hits.filter(function (hit) { return items[hit[1]].kinds.length; });
    var sized = hits.filter(function (hit) { return items[hit[1]].length_mm !== null && typeof marks[hit[0]].length_mm === "number"; });
    var right = task.verdict === null || verdict === null ? null : verdict === task.verdict ? "right" : "wrong";
    return {
      finding: (got + clean) / (whole + FALSE_CALL * wrong.length + clean),
      hits: hits, missed: missed, "false": wrong, again: again, unscored: unscored,
      named: [named.filter(function (hit) { return items[hit[1]].kinds.indexOf(marks[hit[0]].kind) >= 0; }).length, named.length],
      sized: [sized.filter(function (hit) {
        return Math.abs(marks[hit[0]].length_mm - items[hit[1]].length_mm) <= items[hit[1]].tolerance_mm;
      }).length, sized.length],
      verdict: right,
      serious: missed.some(function (i) { return items[i].rejectable; }) || (right === "wrong" && task.verdict === "reject"),
      near: near
    };
  }

  window.specimeterMarking = { marked: marked, closeness: closeness, resampled: resampled };
}());
