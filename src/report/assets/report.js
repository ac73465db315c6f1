// Draws the charts from the data beside each plot, in the page's own colours; again when those change.
(function () {
  "use strict";
  var plots = [];
  var printing = false;
  var symbols = ["circle", "circle", "square", "diamond", "triangle-down", "pentagon"];
  var print = { "--ink": "#000", "--soft": "#444", "--faint": "#ccc", "--s1": "#0072b2", "--s2": "#d55e00",
    "--s3": "#007a5a", "--s4": "#a1478a", "--s5": "#7a6000", "--gap": "rgba(22,25,28,.11)", "--paper": "#fff" };

  function colour(name, light) {
    return light ? print[name] : getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  }

  function axis(title, light) {
    return { title: { text: title, standoff: 8 }, color: colour("--ink", light), gridcolor: colour("--faint", light),
      zeroline: false, showline: true, linecolor: colour("--ink", light), ticks: "outside", automargin: true };
  }

  // How each kind of series looks; hue 0 is neutral. Imported results are the only large open marks.
  function trace(series, light) {
    var own = series.hue ? colour("--s" + series.hue, light) : colour("--ink", light);
    var soft = colour("--soft", light);
    var out = { x: series.x, y: series.y, name: series.name, type: "scatter", mode: "markers",
      marker: { color: own, size: 9, symbol: symbols[series.hue], line: { color: colour("--paper", light), width: 1 } } };
    if (series.panel === 2) out.yaxis = "y2";
    if (series.panel === 2 && /off the law$/.test(series.name)) out.showlegend = false;
    var bars = own;
    switch (series.look) {
      case "curve":
        out.mode = "lines";
        out.line = { color: soft, width: 1.5, dash: "dash" };
        out.hoverinfo = "skip";
        break;
      case "trace":
        out.mode = "lines";
        out.line = { color: own, width: 1.4 };
        break;
      case "stepped":
        out.mode = "lines";
        out.line = { color: own, width: 1.8, shape: "hv" };
        break;
      case "cloud":
        out.marker = { color: own, size: 3, symbol: "circle", opacity: 0.45 };
        out.hoverinfo = "skip";
        break;
      case "dots":
        out.marker = { color: own, size: 3.5, symbol: symbols[series.hue] };
        break;
      case "bound":
        out.marker.symbol = "triangle-up";
        out.marker.size = 11;
        break;
      case "joined":
        out.mode = "lines+markers";
        out.line = { color: own, width: 1 };
        out.marker.size = 8;
        break;
      case "older":
        out.marker = { color: soft, size: 6, symbol: "circle", opacity: 0.75 };
        bars = colour("--faint", light);  // of tens of runs: behind, and thin
        break;
      case "imported":
        out.marker = { color: own, size: 13, symbol: "circle-open", line: { color: own, width: 2 } };
        out.showlegend = true;
        break;
      case "superseded":
        out.marker = { color: soft, size: 8, symbol: "x-thin", line: { color: soft, width: 1.5 } };
        bars = "rgba(0,0,0,0)";
        break;
      case "not_read":
        out.marker = { color: soft, size: 6, symbol: "x-thin", line: { color: soft, width: 1.2 } };
    }
    var thin = series.look === "older" ? 0.8 : 1.5;
    if (series.ex) out.error_x = { type: "data", array: series.ex, color: bars, thickness: thin, width: 3 };
    if (series.ey) out.error_y = { type: "data", array: series.ey, color: bars, thickness: thin, width: 3 };
    return out;
  }

  function traces(data, light) {
    return data.series.map(function (series) { return trace(series, light); });
  }

  // Entries of the legend.
  function named(data) {
    return data.legend ? data.series.length : 0;
  }

  function narrow(width) { return width < 480; }

  function layout(data, light, width) {
    var shapes = [], notes = [];
    var top = data.clip ? 0.9 : 1;  // above it: the bar of the clip
    var out = { paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", margin: { l: 54, r: 14, t: 26, b: 44 },
      font: { family: getComputedStyle(document.body).fontFamily, size: 12, color: colour("--ink", light) },
      xaxis: axis(data.x, light), yaxis: axis(data.y, light), hovermode: "closest", showlegend: named(data) > 0,
      legend: { orientation: "h", x: 0, y: 1.02, yanchor: "bottom", bgcolor: "rgba(0,0,0,0)", itemsizing: "constant" } };
    function note(x, y, text, ink, more) {
      notes.push(Object.assign({ x: x, y: y, xref: "x", yref: "paper", text: text, showarrow: false,
        font: { size: 11, color: colour(ink, light) } }, more));
    }
    function box(from, to, y0, y1, more) {
      shapes.push(Object.assign({ type: "rect", layer: "below", xref: "x", yref: "paper", x0: from, x1: to, y0: y0, y1: y1,
        line: { width: 0 } }, more));
    }
    if (data.from_zero) { out.xaxis.rangemode = "tozero"; out.yaxis.rangemode = "tozero"; }
    if (data.range) out.xaxis.range = data.range;
    if (data.ticks) { out.xaxis.tickvals = data.ticks.at; out.xaxis.ticktext = data.ticks.text; out.xaxis.tickangle = -40; }
    if (data.y2) {
      out.yaxis.domain = [0.54, top];
      out.yaxis2 = axis(data.y2, light);
      out.yaxis2.domain = [0, 0.46];
      if (data.y2_range) out.yaxis2.range = data.y2_range;
      if (data.y2_from_zero) out.yaxis2.rangemode = "tozero";
      out.xaxis.anchor = "y2";
    } else if (data.clip) out.yaxis.domain = [0, top];
    // Names of the points stand in the gap between two panels, clear of what is plotted.
    var label = data.y2 ? { y: 0.5, anchor: "middle" } : { y: top, anchor: "top" };
    var span = data.range ? data.range[1] - data.range[0] : 1;
    (data.gaps || []).forEach(function (gap) { box(gap.from, gap.to, 0, top, { fillcolor: colour("--gap", light) }); });
    (data.points || []).forEach(function (point) {
      box(point.from, point.to, 0, top, { line: { color: colour("--soft", light), width: 1 } });
      var room = (point.to - point.from) / span * (width - 80);
      if (room > 7 * point.label.length + 4) note((point.from + point.to) / 2, label.y, (room > 60 ? "point " : "") + point.label, "--soft", { yanchor: label.anchor });
    });
    if (data.clip) {
      box(data.clip.from, data.clip.to, 0.945, 0.975, { layer: "above", fillcolor: colour("--s3", light) });
      // The line below the chart names the bar too, where there is no room beside the first spray frame's name.
      var free = data.clip.to - (data.spray_start ? data.spray_start.at : data.clip.from);
      if (free / span * (width - 80) > 140) note(data.clip.to, 0.975, "clip", "--s3", { yanchor: "bottom", xanchor: "right" });
    }
    if (data.spray_start) {
      var start = data.spray_start;
      if (start.to > start.from) box(start.from, start.to, 0, top, { fillcolor: colour("--s3", light), opacity: 0.25 });
      shapes.push({ type: "line", xref: "x", yref: "paper", x0: start.at, x1: start.at, y0: 0, y1: data.clip ? 0.975 : 1,
        line: { color: colour("--s3", light), width: 2, dash: "dot" } });
      // Where no name of a point stands.
      note(start.at, data.clip ? 0.975 : data.y2 ? top : 0, "first spray frame", "--s3",
        { yanchor: data.y2 && !data.clip ? "top" : "bottom", xanchor: "left" });
    }
    (data.missing || []).forEach(function (x) { note(x, 0, "\u00d7<br>none", "--soft", { yanchor: "bottom" }); });
    // In a narrow space the entries stand one below the other.
    if (narrow(width) && named(data)) out.margin.t = 24 + 18 * named(data);
    if (data.clip) out.margin.t = 24;
    out.shapes = shapes;
    out.annotations = notes;
    return out;
  }

  function draw(light) {
    plots.forEach(function (plot) {
      var width = light ? (plot.wide ? 670 : 325) : plot.box.clientWidth;
      var drawing = layout(plot.data, light, width);
      if (light) {
        drawing.width = width;
        drawing.height = plot.wide ? 300 : (plot.tall ? 380 : 270) + 12 * Math.max(0, named(plot.data) - 3);
        plot.box.style.height = drawing.height + "px";
      } else {
        drawing.autosize = true;
        // The legend takes its lines from the page, not from the plot.
        plot.box.style.height = narrow(width) && named(plot.data) > 2 ? (plot.wide || plot.tall ? 320 : 240) + 18 * named(plot.data) + "px" : "";
      }
      Plotly.react(plot.box, traces(plot.data, light), drawing, { displayModeBar: false });
    });
  }

  document.querySelectorAll(".chart").forEach(function (figure) {
    plots.push({ box: figure.querySelector(".plot"), data: JSON.parse(figure.querySelector("script").textContent),
      wide: figure.parentElement.classList.contains("wide"), tall: figure.classList.contains("tall") });
  });
  if (window.Plotly && plots.length) {
    draw(false);
    // Not Plotly's own resizing: in a narrow space the margins change too.
    var width = window.innerWidth, waiting = 0;
    window.addEventListener("resize", function () {
      if (printing || window.innerWidth === width) return;
      width = window.innerWidth;
      clearTimeout(waiting);
      waiting = setTimeout(function () { if (!printing) draw(false); }, 100);
    });
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", function () { draw(false); });
  }

  var opened = [];
  window.addEventListener("beforeprint", function () {
    printing = true;
    // A page of many runs would print tens of sheets of budgets: there they stay as the reader has them.
    var many = document.querySelectorAll("article").length > 1;
    opened = Array.prototype.filter.call(document.querySelectorAll("details"), function (d) {
      return !d.open && (!many || d.querySelector(".remarks"));
    });
    opened.forEach(function (d) { d.open = true; });
    if (window.Plotly) draw(true);
  });
  window.addEventListener("afterprint", function () {
    printing = false;
    opened.forEach(function (d) { d.open = false; });
    if (window.Plotly) draw(false);
  });
})();
