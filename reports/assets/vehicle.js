// Draws the charts of a vehicle page from the data in the page, in the units chosen.
(function () {
  "use strict";

  const page = window.chillrosterPage;
  const drawing = page.drawing;
  const templates = window.chillrosterTemplates;
  const look = { ast: true, actions: false, renderer: "svg", defaultStyle: false, tooltip: false };
  const curves = drawing.curves;
  let views = [];

  function plotOf(key) {
    return document.querySelector('.plot[data-figure="' + CSS.escape(key) + '"]');
  }

  // a layer without a single value would have no extent to scale
  function isDrawable(rows, layer) {
    const field = layer.encoding.y && layer.encoding.y.field;
    return rows.some((row) => !field || typeof row[field] === "number");
  }

  async function embed(key, spec) {
    spec.layer = spec.layer.filter((layer) => isDrawable(spec.datasets[layer.data.name], layer));
    const plot = plotOf(key);
    const { view } = await vegaEmbed(plot, spec, look);
    views.push({ plot, view });
    return view;
  }

  function setParams(spec, values) {
    for (const param of spec.params) {
      param.value = values[param.name];
    }
  }

  // ---- curves ----

  function linesOf(panel, { seconds, values }) {
    return panel.series.flatMap(([name, style]) =>
      (values[name] || []).map((value, i) => ({
        minute: seconds[i] / 60,
        value: page.convert(panel.kind, value),
        name,
        style,
      })),
    );
  }

  function bandOf(panel) {
    return panel.bands.flatMap(([upper, lower]) =>
      curves.seconds.map(function (second, i) {
        const [high, low] = [upper, lower].map((name) => (curves.values[name] || [])[i]);
        const isKnown = typeof high === "number" && typeof low === "number";
        const level = (value) => (isKnown ? page.convert(panel.kind, value) : null);
        return { minute: second / 60, lower: level(low), upper: level(high) };
      }),
    );
  }

  const minutes = ([from, to]) => ({ from: from / 60, to: to / 60 });

  function curveSpec(panel) {
    const spec = structuredClone(templates.curves);
    spec.height = panel.height;
    spec.description = panel.description;
    spec.padding = { left: 4, right: 10, bottom: 4, top: 4 };
    const [lowest, highest] = [panel.lowest, panel.highest].map((edge) =>
      page.convert(panel.kind, edge),
    );
    setParams(spec, {
      first_minute: page.span.from / 60,
      last_minute: page.span.to / 60,
      lowest,
      highest,
      event_opacity: page.isCrowded ? 0.35 : 1, // a cycling car has a hundred
    });
    const onScale = (value) => Math.min(highest, Math.max(lowest, value));
    spec.datasets = {
      stretches: curves.stretches.map(minutes),
      hatched: panel.series.flatMap(([name]) => (curves.hatched[name] || []).map(minutes)),
      events: curves.events.map(([second, kind]) => ({ minute: second / 60, kind })),
      lines: linesOf(panel, curves),
      overlay: page.overlay ? linesOf(panel, page.overlay) : [],
      band: bandOf(panel),
      distrusted: panel.series.flatMap(([name]) =>
        (curves.distrusted[name] || []).map(([second, value]) => ({
          minute: second / 60,
          value: onScale(page.convert(panel.kind, value)), // one far off stands at the edge
        })),
      ),
    };
    return spec;
  }

  function curveTable(panel) {
    const unit = page.unit(panel.kind);
    const decimals = unit ? unit.decimals : panel.decimals;
    return panel.rows.map((row) =>
      panel.series.map(([name]) =>
        page.number(page.convert(panel.kind, (curves.values[name] || [])[row]), decimals),
      ),
    );
  }

  // ---- history ----

  const LEVELS = ["observed", "expected", "low", "high"];

  function inUnit(kind, row) {
    const levels = LEVELS.map((name) => [name, page.convert(kind, row[name])]);
    return { ...row, ...Object.fromEntries(levels) };
  }

  function historySpec(chart) {
    const spec = structuredClone(templates.history);
    spec.description = chart.description;
    spec.padding = { left: 4, right: 10, bottom: 4, top: 16 };
    const points = chart.points.map((point) => inUnit(chart.kind, point));
    spec.datasets = { points, repairs: chart.repairs };
    const instants = chart.points.map(function ({ at }) {
      const [year, month, date, hours, minutes] = at.split(/[-T:]/).map(Number);
      return { year, month, date, hours, minutes, utc: true };
    });
    for (const layer of spec.layer) {
      layer.encoding.x.axis.values = instants;
    }
    return spec;
  }

  function historyTable(chart) {
    const unit = page.unit(chart.kind);
    const decimals = unit ? unit.decimals : chart.decimals;
    return chart.points.map(function (point) {
      const levels = inUnit(chart.kind, point);
      return LEVELS.map((name) => page.number(levels[name], decimals));
    });
  }

  // the table beside a chart, in the units of the chart
  function fillTable(key, rows) {
    const body = document.querySelectorAll("#" + CSS.escape(key) + " tbody tr");
    rows.forEach(function (texts, i) {
      const cells = body[i].querySelectorAll("td");
      texts.forEach((text, j) => (cells[j].textContent = text));
    });
  }

  // ---- on paper: charts as wide as the sheet, so that their letters keep their size ----

  const SHEET_PX = 700; // A4 less margins of 12 mm, at 96 px to the inch

  function widen(toWidth) {
    for (const { plot, view } of views) {
      view.width(toWidth(plot)).run();
    }
  }

  let opened = [];
  let isPrinting = false;

  // the charts follow the window; on its way to the sheet that would undo the width below
  window.addEventListener("resize", function (event) {
    if (isPrinting) {
      event.stopImmediatePropagation();
    }
  });
  window.addEventListener("beforeprint", function () {
    isPrinting = true;
    opened = Array.from(document.querySelectorAll("details.short:not([open])"));
    opened.forEach((details) => details.setAttribute("open", ""));
    widen((plot) => (plot.closest(".histories") ? SHEET_PX / 2 - 16 : SHEET_PX));
  });
  window.addEventListener("afterprint", function () {
    opened.forEach((details) => details.removeAttribute("open"));
    isPrinting = false;
    widen((plot) => plot.clientWidth);
  });

  async function draw() {
    views.forEach(({ view }) => view.finalize());
    views = [];
    page.readers.length = 0;
    const panels = curves ? curves.panels : [];
    for (const panel of panels) {
      plotOf(panel.key).style.minHeight = panel.height + 24 + "px";
    }
    for (const panel of panels) {
      const view = await embed(panel.key, curveSpec(panel));
      page.addReader(panel, plotOf(panel.key), view);
    }
    page.fitLanes();
    for (const chart of drawing.history) {
      await embed(chart.key, historySpec(chart));
    }
  }

  function fillTables() {
    (curves ? curves.panels : []).forEach((panel) => fillTable(panel.key, curveTable(panel)));
    drawing.history.forEach((chart) => fillTable(chart.key, historyTable(chart)));
  }

  // one drawing after the other: a second choice while the first is drawn waits for it
  let drawn = Promise.resolve();
  page.redraw = function () {
    document.documentElement.dataset.drawn = "no";
    drawn = drawn.then(draw).then(() => (document.documentElement.dataset.drawn = "yes"));
    return drawn;
  };
  page.onUnits(function () {
    fillTables();
    page.redraw();
  });

  page.redraw().then(function () {
    if (curves) {
      page.look(page.span.from, page.span.to);
    }
    const aim = page.anchor() && document.getElementById(page.anchor());
    if (aim) {
      aim.scrollIntoView();
    }
  });
})();
