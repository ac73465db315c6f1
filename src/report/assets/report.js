// Draws the charts from the data beside each plot, in the page's own colours; again when those change.
(function () {
  "use strict";
  var plots = [];
  var symbols = ["circle", "square", "diamond"];
  var dashes = ["solid", "dash", "dot"];

  function colour(name, light) {
    if (light) return { "--ink": "#000", "--soft": "#444", "--faint": "#ccc", "--s1": "#0072b2", "--s2": "#d55e00",
      "--s3": "#007a5a", "--band": "rgba(0,114,178,.13)", "--paper": "#fff" }[name];
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  }

  function axis(title, light) {
    return { title: { text: title, standoff: 8 }, color: colour("--ink", light), gridcolor: colour("--faint", light),
      zeroline: false, showline: true, linecolor: colour("--ink", light), ticks: "outside", automargin: true };
  }

  function traces(data, light) {
    return data.series.map(function (series, i) {
      var own = colour("--s" + (i % 3 + 1), light);
      var trace = { x: series.x, y: series.y, name: series.name, type: "scatter", mode: "markers",
        marker: { color: own, size: 9, symbol: symbols[i % 3], line: { color: colour("--paper", light), width: 1 } } };
      if (series.ex) trace.error_x = { type: "data", array: series.ex, color: own, thickness: 1.5, width: 4 };
      if (series.ey) trace.error_y = { type: "data", array: series.ey, color: own, thickness: 1.5, width: 4 };
      if (series.look === "curve") {
        trace.mode = "lines";
        trace.line = { color: colour("--soft", light), width: 1.5, dash: "dash" };
        trace.hoverinfo = "skip";
      } else if (series.look === "trace") {
        trace.mode = "lines";
        trace.line = { color: own, width: 1.2 };
        if (i === 1) trace.yaxis = "y2";
      } else if (series.look === "dots") {
        trace.marker = { color: own, size: 3.5, symbol: symbols[i % 3] };
      } else if (series.look === "bound") {
        trace.marker.symbol = "triangle-up-open";
        trace.marker.size = 11;
      }
      return trace;
    });
  }

  function layout(data, light, width) {
    var shapes = [], notes = [];
    var out = { paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", margin: { l: 54, r: 14, t: 26, b: 44 },
      font: { family: getComputedStyle(document.body).fontFamily, size: 12, color: colour("--ink", light) },
      xaxis: axis(data.x, light), yaxis: axis(data.y, light), hovermode: "closest",
      showlegend: data.series.length > 1 && data.key !== "log",
      legend: { orientation: "h", x: 0, y: 1.02, yanchor: "bottom", bgcolor: "rgba(0,0,0,0)" } };
    if (data.from_zero) { out.xaxis.rangemode = "tozero"; out.yaxis.rangemode = "tozero"; }
    if (data.y2 && data.series.length > 1) {
      out.yaxis.domain = [0.52, 0.92];
      out.yaxis2 = axis(data.y2, light);
      out.yaxis2.domain = [0, 0.46];
      out.xaxis.anchor = "y2";
    } else if (data.clip) out.yaxis.domain = [0, 0.9];
    (data.bands || []).forEach(function (band) {
      shapes.push({ type: "rect", layer: "below", xref: "x", yref: "paper", x0: band.t0, x1: band.t1, y0: 0,
        y1: data.clip ? 0.92 : 1, fillcolor: colour("--band", light), line: { width: 0 } });
      notes.push({ x: (band.t0 + band.t1) / 2, y: data.clip ? 0.92 : 1, xref: "x", yref: "paper", text: band.label, showarrow: false,
        yanchor: "top", font: { size: 11, color: colour("--soft", light) } });
    });
    if (data.clip) {
      shapes.push({ type: "rect", xref: "x", yref: "paper", x0: data.clip.t0, x1: data.clip.t1, y0: 0.955, y1: 0.985,
        fillcolor: colour("--s3", light), line: { width: 0 } });
      notes.push({ x: data.clip.t1, y: 0.985, xref: "x", yref: "paper", text: "clip", showarrow: false,
        yanchor: "bottom", xanchor: "right", font: { size: 11, color: colour("--s3", light) } });
    }
    if (data.spray_start !== undefined) {
      shapes.push({ type: "line", xref: "x", yref: "paper", x0: data.spray_start, x1: data.spray_start, y0: 0, y1: 0.985,
        line: { color: colour("--s3", light), width: 1.5, dash: "dot" } });
      notes.push({ x: data.spray_start, y: 0.985, xref: "x", yref: "paper", text: "first spray frame", showarrow: false,
        yanchor: "bottom", xanchor: "left", font: { size: 11, color: colour("--s3", light) } });
    }
    // In a narrow space the entries stand one below the other.
    if (width < 480 && out.showlegend) out.margin.t = 24 + 18 * data.series.length;
    if (data.clip) out.margin.t = 24;
    out.shapes = shapes;
    out.annotations = notes;
    return out;
  }

  function draw(light) {
    plots.forEach(function (plot) {
      var width = light ? 320 : plot.box.clientWidth;
      var drawing = layout(plot.data, light, width);
      if (light) {
        drawing.width = plot.wide ? 670 : 325;
        drawing.height = plot.wide ? 300 : 270;
      }
      Plotly.react(plot.box, traces(plot.data, light), drawing, { displayModeBar: false, responsive: !light });
    });
  }

  document.querySelectorAll(".chart").forEach(function (figure) {
    plots.push({ box: figure.querySelector(".plot"), data: JSON.parse(figure.querySelector("script").textContent),
      wide: figure.parentElement.classList.contains("wide") });
  });
  if (window.Plotly && plots.length) {
    draw(false);
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", function () { draw(false); });
  }

  var opened = [];
  window.addEventListener("beforeprint", function () {
    opened = Array.prototype.filter.call(document.querySelectorAll("details"), function (d) { return !d.open; });
    opened.forEach(function (d) { d.open = true; });
    if (window.Plotly) draw(true);
  });
  window.addEventListener("afterprint", function () {
    opened.forEach(function (d) { d.open = false; });
    if (window.Plotly) draw(false);
  });
})();
