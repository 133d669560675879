// Draws the charts again so that they can be moved over; without it the drawings of the page stay.
(function () {
  "use strict";
  var DASHES = [[], [8, 3], [9, 3, 2, 3], [2, 3], [], [8, 3]], HEIGHT = 280, LABEL_ROOM = 110;
  var drawn = [];

  function colour(name) {
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  }
  function lineColour(style) { return colour(style < 0 ? "--edge" : "--s" + style % DASHES.length); }
  function pale(hex) { return hex + "30"; }
  function plain(value) { return value === null || value === undefined ? "–" : String(Number(value.toPrecision(3))); }

  // Series of a spec: x, then of each curve its line and, where it has one, its band.
  function series(spec) {
    var all = [{ label: spec.xName, value: function (u, v) { return plain(v); } }], data = [spec.x], bands = [];
    spec.curves.forEach(function (curve) {
      var stroke = lineColour(curve.style), own = data.length;
      var alone = curve.y === null && curve.low !== null;  // an envelope
      data.push(alone ? curve.high : curve.y || spec.x.map(function () { return null; }));
      all.push({ label: alone ? "largest" : curve.name, stroke: stroke, width: alone ? 1 : curve.style < 0 ? 1 : 2,
        dash: curve.style < 0 ? [] : DASHES[curve.style % DASHES.length], points: { show: false },
        value: function (u, v) { return plain(v); } });
      if (curve.low === null || curve.high === null) { return; }
      [curve.low, curve.high].forEach(function (values, i) {
        data.push(values);
        all.push({ label: alone ? (i ? "" : "least") : curve.name + (i ? " high" : " low"), width: 0, stroke: stroke, points: { show: false },
          value: function (u, v) { return plain(v); } });
      });
      bands.push({ series: [own + 2, own + 1], fill: alone ? stroke + "cc" : pale(stroke) });
    });
    return { series: all, data: data, bands: bands };
  }

  function vertical(u, x, css, width) {
    var at = Math.round(u.valToPos(x, "x", true));
    u.ctx.strokeStyle = colour(css);
    u.ctx.lineWidth = width * devicePixelRatio;
    u.ctx.beginPath();
    u.ctx.moveTo(at, u.bbox.top);
    u.ctx.lineTo(at, u.bbox.top + u.bbox.height);
    u.ctx.stroke();
    return at;
  }
  function text(u, words, x, y, side) {
    u.ctx.font = 12 * devicePixelRatio + "px sans-serif";
    u.ctx.fillStyle = colour("--ink");
    u.ctx.textAlign = side || "left";
    u.ctx.textBaseline = "alphabetic";
    u.ctx.fillText(words, x, y);
  }
  function decorate(u, spec) {
    var pixel = devicePixelRatio, right = u.bbox.left + u.bbox.width;
    u.ctx.save();
    spec.levels.forEach(function (level) {
      var y = Math.round(u.valToPos(level[0], "y", true));
      u.ctx.strokeStyle = colour("--alarm");
      u.ctx.lineWidth = pixel;
      u.ctx.setLineDash([2 * pixel, 3 * pixel]);
      u.ctx.beginPath();
      u.ctx.moveTo(u.bbox.left, y);
      u.ctx.lineTo(right, y);
      u.ctx.stroke();
      text(u, level[1], u.bbox.left + 5 * pixel, y - 4 * pixel);
    });
    u.ctx.setLineDash([]);
    spec.peaks.forEach(function (peak, i) {
      var at = vertical(u, peak[0], "--alarm", 1), isRight = at > right - 60 * pixel;
      text(u, peak[1], at + (isRight ? -3 : 3) * pixel, u.bbox.top + (11 + 13 * (i % 3)) * pixel, isRight ? "right" : "left");
    });
    var last = -Infinity;
    spec.curves.filter(function (curve) { return curve.label && curve.y; }).map(function (curve) {
      var known = curve.y.filter(function (v) { return v !== null; });
      return [u.valToPos(known[known.length - 1], "y", true), curve.label];
    }).sort(function (a, b) { return a[0] - b[0]; }).forEach(function (end) {
      last = Math.max(end[0], last + 13 * pixel);
      text(u, end[1], right + 6 * pixel, last + 4 * pixel);
    });
    if (spec.at !== null) { vertical(u, spec.at, "--alarm", 2.5); }
    u.ctx.restore();
  }

  function axis(name, room, ticks) {
    return { label: name, splits: function () { return ticks.map(function (t) { return t[0]; }); }, filter: function (u, splits) { return splits; }, stroke: colour("--ink"), labelSize: 22, size: room, font: "12px sans-serif", labelFont: "12px sans-serif",
      grid: { stroke: colour("--rule"), width: 1 }, ticks: { stroke: colour("--rule") },
      values: function () { return ticks.map(function (t) { return t[1]; }); } };
  }
  function scale(span) {
    return { time: false, distr: span[2] ? 3 : 1, range: [span[0], span[1]] };
  }
  function draw(figure, spec) {
    var plot = figure.querySelector(".plot"), parts = series(spec);
    var labels = spec.curves.some(function (curve) { return curve.label; });
    var u = new uPlot({
      width: plot.clientWidth, height: HEIGHT, series: parts.series, bands: parts.bands,
      padding: [10, labels ? LABEL_ROOM : 10, 0, 0],
      scales: { x: scale(spec.xSpan), y: scale(spec.ySpan) },
      axes: [axis(spec.xName, 40, spec.xTicks), axis(spec.yName, 62, spec.yTicks)],
      cursor: { drag: { x: false, y: false }, points: { show: false } },
      legend: { show: false },
      hooks: { draw: [function (self) { decorate(self, spec); }],
        setCursor: [function (self) { tell(figure, self, spec); }] }
    }, parts.data, function (self, ready) {
      plot.querySelector("svg").setAttribute("hidden", "");
      plot.appendChild(self.root);
      self.root.setAttribute("aria-hidden", "true");
      ready();
    });
    return u;
  }
  // Below the chart: the values under the pointer.
  function tell(figure, u, spec) {
    var at = u.cursor.idx, said = figure.querySelector(".read");
    if (at === null || at === undefined) { said.textContent = " "; return; }
    var told = spec.curves.filter(function (c) { return c.style >= 0; }).map(function (curve) {
      var span = curve.low ? "(" + plain(curve.low[at]) + " to " + plain(curve.high[at]) + ")" : "";
      return curve.name + " " + (curve.y ? plain(curve.y[at]) + " " : "") + span;
    });
    said.textContent = spec.xName + " " + plain(spec.x[at]) + ": " + told.join("; ");
  }

  function prepare(figure) {
    var spec = JSON.parse(figure.querySelector("script").textContent);
    var svg = figure.querySelector("svg"), mark = document.createElement("p");
    mark.className = "read soft";
    mark.setAttribute("aria-hidden", "true");
    mark.textContent = " ";
    figure.querySelector(".plot").after(mark);
    var hold = document.createElement("div");  // keeps the drawing's words for screen readers
    hold.className = "hidden";
    hold.setAttribute("role", "img");
    hold.setAttribute("aria-label", svg.querySelector("title").textContent + ". " + svg.querySelector("desc").textContent);
    figure.prepend(hold);
    drawn.push({ figure: figure, spec: spec, u: draw(figure, spec) });
  }
  function again() {
    drawn.forEach(function (one) {
      one.u.destroy();
      one.u = draw(one.figure, one.spec);
    });
  }

  // For board.js: the upright line of every chart over road speed.
  window.buffetCharts = { moveTo: function (x) {
    drawn.forEach(function (one) {
      if (one.spec.at !== null) { one.spec.at = x; one.u.redraw(false, false); }
    });
  } };
  document.querySelectorAll("figure.chart").forEach(prepare);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  var waiting = 0;
  addEventListener("resize", function () {
    clearTimeout(waiting);
    waiting = setTimeout(function () {
      drawn.forEach(function (one) {
        one.u.setSize({ width: one.figure.querySelector(".plot").clientWidth, height: HEIGHT });
      });
    }, 150);
  });
}());
