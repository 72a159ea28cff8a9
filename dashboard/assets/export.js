"use strict";
/* Charts laid by the width of the screen, pictures to take along, and folds that the address keeps. Nothing leaves this computer:
   the picture is made by the page itself. */
(function () {
  const INK = "#1c2226", GRID = "#dcdcd6", EDGE = "#555d63";
  const WIDE_PX = 1200;
  const LEGEND_ROW_PX = 24;
  const PER_ROW = 3;
  const LETTER_PX = 8;

  /* Whether a letter has room in a bar of a figure that is laid one way in so many pixels. */
  function letters(meta, way, width) {
    return meta.bar[way] * (width - meta.sides) < LETTER_PX ? "none" : "inside";
  }

  /* Charts that stand beside one another on a wide screen stand one below the other on a narrow one. */
  function lay(graph) {
    const meta = graph.layout && graph.layout.meta;
    if (!meta || !meta.ways || !graph.clientWidth || window.matchMedia("print").matches) {
      return;
    }
    const way = window.getComputedStyle(graph).getPropertyValue("--way").trim();
    const shown = letters(meta, way, graph.clientWidth);
    if (meta.ways[way] && (meta.way !== way || graph.data.some((d) => (d.textposition || "inside") !== shown))) {
      window.Plotly.update(graph, { textposition: shown }, Object.assign({ "meta.way": way }, meta.ways[way]));
    }
  }

  const laid = new WeakSet();
  function look() {
    for (const graph of document.querySelectorAll(".group-figure .js-plotly-plot")) {
      if (graph.on && !laid.has(graph)) {
        laid.add(graph);
        graph.on("plotly_afterplot", () => lay(graph));
        requestAnimationFrame(() => lay(graph));
      }
    }
  }
  document.addEventListener("DOMContentLoaded", () => {
    new MutationObserver(look).observe(document.body, { childList: true, subtree: true });
  });

  /* A picture is as wide as ever: what the screen's width changed is put back. */
  function widely(layout, data) {
    const meta = layout.meta;
    for (const [name, value] of Object.entries(meta.ways.wide)) {
      const path = name.split(/[.[\]]+/);
      path.slice(0, -1).reduce((part, key) => part[key], layout)[path[path.length - 1]] = value;
    }
    return data.map((d) => Object.assign({}, d, { textposition: letters(meta, "wide", WIDE_PX) }));
  }

  /* The figure as it stands, on white ground, with dark text, a title and a legend, whatever the page's scheme. */
  function plain(graph, title) {
    const layout = JSON.parse(JSON.stringify(graph.layout));
    const ways = layout.meta && layout.meta.ways;
    const drawn = ways ? widely(layout, graph.data) : graph.data;
    const high = ways ? layout.meta.height.wide : graph.layout.height || graph.clientHeight;
    const rows = Math.ceil(new Set(graph.data.filter((d) => d.showlegend !== false && d.meta !== "band").map((d) => d.name)).size / PER_ROW);
    const margin = Object.assign({ t: 20, b: 50 }, layout.margin);
    const below = layout.legend ? 0 : rows * LEGEND_ROW_PX + 16;
    layout.width = WIDE_PX;
    layout.height = high + 40 + below;
    layout.autosize = false;
    layout.margin = Object.assign({}, margin, { t: margin.t + 40, b: margin.b + below });
    layout.paper_bgcolor = "#ffffff";
    layout.plot_bgcolor = "#ffffff";
    layout.font = Object.assign({}, layout.font, { color: INK });
    layout.title = { text: title, x: 0.01, xanchor: "left", y: 1, yref: "container", yanchor: "top", pad: { t: 12 }, font: { size: 17, color: INK } };
    layout.showlegend = true;
    if (!layout.legend) {
      const inner = layout.height - layout.margin.t - layout.margin.b;
      layout.legend = { orientation: "h", x: 0, xanchor: "left", yanchor: "top", y: -(margin.b + 4) / inner, font: { size: 14 } };
    }
    layout.legend.font = Object.assign({}, layout.legend.font, { color: INK });
    for (const key of Object.keys(layout)) {
      if (/^[xy]axis\d*$/.test(key)) {
        Object.assign(layout[key], { color: INK, linecolor: EDGE, gridcolor: GRID, tickcolor: EDGE, showspikes: false });
      }
    }
    const data = drawn.map((d) => (d.type === "bar" ? Object.assign({}, d, { textfont: Object.assign({}, d.textfont, { color: "#101417" }) }) : d));
    return { data: data, layout: layout, config: { staticPlot: true } };
  }

  function bytesOf(kind, made) {
    if (kind === "svg") {
      return new Blob([made], { type: "image/svg+xml;charset=utf-8" });
    }
    const raw = window.atob(made);
    return new Blob([Uint8Array.from(raw, (letter) => letter.charCodeAt(0))], { type: "image/png" });
  }

  function save(blob, name) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    document.body.appendChild(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }

  async function picture(button) {
    const graph = document.querySelector("#" + button.dataset.figure + " .js-plotly-plot");
    if (!graph || !graph.data || button.disabled) {
      return;
    }
    const kind = button.dataset.picture;
    button.disabled = true;
    try {
      const figure = plain(graph, button.dataset.title);
      const made = await window.Plotly.toImage(figure, {
        format: kind, width: figure.layout.width, height: figure.layout.height, scale: kind === "png" ? 2 : 1, imageDataOnly: true,
      });
      save(bytesOf(kind, made), button.dataset.name + "." + kind);
    } finally {
      button.disabled = false;
    }
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest("[data-picture]");
    if (button) {
      picture(button);
    }
  });

  /* A fold that is opened or closed tells its page, which keeps it in the address. */
  document.addEventListener("toggle", (event) => {
    const fold = event.target;
    if (fold.dataset && fold.dataset.foldStore) {
      window.dash_clientside.set_props(fold.id, { open: fold.open }); // else the page would hold it for what it was drawn as
      window.dash_clientside.set_props(fold.dataset.foldStore, { data: { fold: fold.dataset.fold, open: fold.open } });
    }
  }, true);
})();
