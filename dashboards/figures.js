/* Draws each figure when it comes into view, in the colours that the style sheet
   has at that moment (light, dark or paper). Loads nothing but the script beside. */
(function () {
  "use strict";
  var here = document.currentScript;
  var waiting = null;

  function plotly() {
    if (window.Plotly) { return Promise.resolve(window.Plotly); }
    if (waiting) { return waiting; }
    waiting = new Promise(function (resolve, reject) {
      var script = document.createElement("script");
      var kept = document.getElementById("plotly-source");
      if (kept) {
        script.textContent = kept.textContent.replace(/<\\\/script/g, "</script");
        document.head.appendChild(script);
        resolve(window.Plotly);
      } else {
        script.src = here.getAttribute("data-plotly");
        script.onload = function () { resolve(window.Plotly); };
        script.onerror = reject;
        document.head.appendChild(script);
      }
    });
    return waiting;
  }

  function coloured(value, style) {
    if (typeof value === "string") {
      return value.indexOf("var(--") < 0 ? value : value.replace(/var\((--[a-z0-9-]+)\)/g,
        function (whole, name) { return style.getPropertyValue(name).trim() || whole; });
    }
    if (Array.isArray(value)) {
      if (value.length && typeof value[0] === "number") { return value.slice(); }
      return value.map(function (item) { return coloured(item, style); });
    }
    if (value && typeof value === "object") {
      var copy = {};
      Object.keys(value).forEach(function (key) { copy[key] = coloured(value[key], style); });
      return copy;
    }
    return value;
  }

  var axis = {
    gridcolor: "var(--rule)", linecolor: "var(--rule-strong)", tickcolor: "var(--rule-strong)",
    zeroline: false, showline: true, ticks: "outside", ticklen: 4, automargin: true,
    title: { standoff: 8, font: { color: "var(--muted)", size: 12 } },
    tickfont: { color: "var(--muted)", size: 12 }, fixedrange: true
  };

  function merged(base, over) {
    var out = {};
    Object.keys(base).forEach(function (key) { out[key] = base[key]; });
    Object.keys(over || {}).forEach(function (key) {
      var both = out[key] && typeof out[key] === "object" && !Array.isArray(out[key]) &&
        over[key] && typeof over[key] === "object" && !Array.isArray(over[key]);
      out[key] = both ? merged(out[key], over[key]) : over[key];
    });
    return out;
  }

  function layout(own) {
    var base = {
      autosize: true, margin: { l: 8, r: 12, t: 8, b: 8 }, paper_bgcolor: "rgba(0,0,0,0)",
      plot_bgcolor: "rgba(0,0,0,0)", hovermode: "closest", dragmode: false,
      separators: document.documentElement.getAttribute("data-separators") || ".,",
      font: { family: getComputedStyle(document.body).fontFamily, size: 12, color: "var(--ink)" },
      legend: { orientation: "h", x: 0, y: 1.02, yanchor: "bottom", xanchor: "left",
                bgcolor: "rgba(0,0,0,0)", font: { size: 12 }, itemclick: false,
                itemdoubleclick: false },
      hoverlabel: { bgcolor: "var(--paper)", bordercolor: "var(--rule-strong)",
                    font: { color: "var(--ink)", size: 12 } },
      xaxis: axis, yaxis: axis
    };
    Object.keys(own || {}).forEach(function (key) {
      if (/^[xy]axis\d+$/.test(key)) { base[key] = axis; }
    });
    return merged(base, own);
  }

  function draw(area) {
    var source = document.getElementById(area.getAttribute("data-figure"));
    if (!source) { return Promise.resolve(); }
    return plotly().then(function (library) {
      var style = getComputedStyle(document.documentElement);
      var figure = JSON.parse(source.textContent);
      area.setAttribute("data-drawn", "yes");
      return library.react(area, coloured(figure.data, style),
        coloured(layout(figure.layout), style),
        { displayModeBar: false, responsive: true, staticPlot: false, locale: "en" });
    });
  }

  function all(drawnOnly) {
    return Array.prototype.slice.call(document.querySelectorAll(
      drawnOnly ? ".plot-area[data-drawn]" : ".plot-area"));
  }

  if ("IntersectionObserver" in window) {
    var watcher = new IntersectionObserver(function (entries) {
      entries.forEach(function (entry) {
        if (entry.isIntersecting) { watcher.unobserve(entry.target); draw(entry.target); }
      });
    }, { rootMargin: "300px" });
    all(false).forEach(function (area) { watcher.observe(area); });
  } else {
    all(false).forEach(draw);
  }

  ["(prefers-color-scheme: dark)", "print"].forEach(function (query) {
    window.matchMedia(query).addEventListener("change", function () {
      (window.matchMedia("print").matches ? all(false) : all(true)).forEach(draw);
    });
  });
  window.addEventListener("beforeprint", function () { all(false).forEach(draw); });
  window.addEventListener("afterprint", function () { all(true).forEach(draw); });

  /* Tables that are wider than the screen say so, and can be scrolled by keyboard. */
  function mark() {
    Array.prototype.forEach.call(document.querySelectorAll(".scroll"), function (box) {
      var wide = box.scrollWidth > box.clientWidth + 1;
      box.classList.toggle("is-wide", wide);
      if (wide) { box.setAttribute("tabindex", "0"); } else { box.removeAttribute("tabindex"); }
    });
  }
  mark();
  window.addEventListener("resize", mark);
}());
