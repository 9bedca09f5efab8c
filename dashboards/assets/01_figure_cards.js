// Figure cards: figures follow the theme, and are saved as PNG or SVG from here.
// A trace says its colours in `meta.light` and `meta.dark`.
(function () {
  "use strict";
  const jb = (window.jointbook = window.jointbook || {});

  function coloured(trace, theme) {
    const colour = trace.meta && trace.meta[theme];
    if (!colour) return null;
    const change = {};
    if (trace.line) change["line.color"] = trace.line.width === 0 ? "rgba(0,0,0,0)" : colour;
    if (trace.marker) {
      change["marker.color"] = colour;
      if (trace.marker.line) change["marker.line.color"] = colour;
    }
    if (trace.error_x) change["error_x.color"] = colour;
    if (trace.fill && trace.fill !== "none") change.fillcolor = trace.meta[theme + "_fill"] || colour;
    return change;
  }

  function put(target, path, value) {
    const keys = path.split(".");
    const last = keys.pop();
    keys.reduce((node, key) => (node[key] = node[key] || {}), target)[last] = value;
  }

  function paint(plot) {
    const theme = jb.theme && jb.theme.dark() ? "dark" : "light";
    if (!plot.data || !window.Plotly || (plot.jbData === plot.data && plot.jbTheme === theme)) return;
    const fresh = plot.jbData !== plot.data;
    plot.jbData = plot.data;
    plot.jbTheme = theme;
    if (fresh && theme === "light") return; // figures are made in light colours
    const changes = {}, which = [];
    plot.data.forEach(function (trace, index) {
      const change = coloured(trace, theme);
      if (!change) return;
      const at = which.push(index) - 1;
      Object.entries(change).forEach(function ([path, value]) {
        (changes[path] = changes[path] || [])[at] = value;
      });
    });
    if (which.length) {
      Object.values(changes).forEach((list) => { list.length = which.length; });
      window.Plotly.restyle(plot, changes, which).then(() => { plot.jbData = plot.data; });
    }
  }

  function paintAll() {
    document.querySelectorAll(".figure-card .js-plotly-plot").forEach(paint);
  }
  document.addEventListener("jointbook-theme", paintAll);

  // Dash draws figures when it likes: listen to each plot once it is there.
  new MutationObserver(function () {
    document.querySelectorAll(".figure-card .js-plotly-plot").forEach(function (plot) {
      if (plot.jbKnown || !plot.on) return;
      plot.jbKnown = true;
      plot.on("plotly_afterplot", () => paint(plot));
      paint(plot);
    });
  }).observe(document.documentElement, { childList: true, subtree: true });

  // --- printing: a figure as wide as the paper, not as the screen -------------
  const PAPER_PX = 680; // A4 upright less its margins, at 96 pixels an inch
  const printed = (plot) => plot.layout && window.Plotly && plot.clientWidth > PAPER_PX;
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll(".js-plotly-plot").forEach(function (plot) {
      if (!printed(plot)) return;
      plot.jbPrinted = true;
      window.Plotly.relayout(plot, { width: PAPER_PX - 26, autosize: false });
    });
  });
  window.addEventListener("afterprint", function () {
    document.querySelectorAll(".js-plotly-plot").forEach(function (plot) {
      if (!plot.jbPrinted) return;
      plot.jbPrinted = false;
      window.Plotly.relayout(plot, { width: null, autosize: true });
    });
  });

  // --- saving ---------------------------------------------------------------
  jb.saveFigureCard = function (card, form) {
    const plot = card.querySelector(".js-plotly-plot");
    if (!plot || !window.Plotly) return;
    const data = plot.data.map(function (trace) {
      const copy = structuredClone(trace);
      Object.entries(coloured(copy, "light") || {}).forEach(([p, v]) => put(copy, p, v));
      return copy;
    });
    const layout = structuredClone(plot.layout);
    layout.paper_bgcolor = layout.plot_bgcolor = "#fffdf8";
    const title = card.querySelector("h2, h3");
    layout.title = { text: title ? title.textContent : "", font: { size: 14 }, x: 0.01, xanchor: "left" };
    layout.margin = Object.assign({}, layout.margin, { t: Math.max(48, (layout.margin || {}).t || 0) });
    return window.Plotly.downloadImage({ data, layout }, {
      format: form,
      width: plot.clientWidth || 1000,
      height: (plot.clientHeight || 400) + 24,
      scale: form === "png" ? 2 : 1,
      filename: card.dataset.card,
    });
  };
  document.addEventListener("click", function (event) {
    const button = event.target.closest && event.target.closest(".figure-card-save");
    if (button) jb.saveFigureCard(button.closest(".figure-card"), button.dataset.format);
  });
})();
