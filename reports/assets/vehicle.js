// Draws the charts of a vehicle page from the data in the page, and one reading line
// through all curves: by pointer, or by arrow keys on a focused chart.
(function () {
  "use strict";

  const drawing = JSON.parse(document.getElementById("drawing").textContent);
  const templates = window.chillrosterTemplates;
  const look = { ast: true, actions: false, renderer: "svg", defaultStyle: false, tooltip: false };
  const curves = drawing.curves;
  const lastSecond = curves && curves.seconds.length ? curves.seconds[curves.seconds.length - 1] : 0;
  const lastMinute = Math.max(lastSecond / 60, 1 / 60);
  const readers = [];
  const views = [];

  function plotOf(key) {
    return document.querySelector('.plot[data-figure="' + CSS.escape(key) + '"]');
  }

  // what moves air stands in a row of its own: fan and compressor often switch together
  function isOfAir(kind) {
    return /^(fan|blower|recirculation)/.test(kind);
  }

  // a layer without a single value would have no extent to scale
  function isDrawable(rows, layer) {
    const field = layer.encoding.y && layer.encoding.y.field;
    return rows.some((row) => !field || typeof row[field] === "number");
  }

  function embed(key, spec) {
    spec.layer = spec.layer.filter((layer) => isDrawable(spec.datasets[layer.data.name], layer));
    const plot = plotOf(key);
    return vegaEmbed(plot, spec, look).then(({ view }) => views.push({ plot, view }));
  }

  function curveSpec(panel, isFirst) {
    const minutes = curves.seconds.map((second) => second / 60);
    const column = (name) => curves.values[name] || [];
    const spec = structuredClone(templates.curves);
    spec.height = panel.height;
    spec.description = panel.description;
    spec.padding = { left: 4, right: 10, bottom: 4, top: isFirst && curves.hasGlyphs ? 28 : 4 };
    const { lowest, highest } = panel;
    const params = {
      last_minute: lastMinute,
      lowest: lowest,
      highest: highest,
      event_opacity: curves.hasGlyphs ? 1 : 0.35, // a cycling car has a hundred
    };
    for (const param of spec.params) {
      param.value = params[param.name];
    }
    const events = curves.events.map(([second, kind, glyph]) => ({
      minute: second / 60,
      kind: kind,
      glyph: glyph,
    }));
    const glyphs = isFirst && curves.hasGlyphs ? events : [];
    const onScale = (value) => Math.min(highest, Math.max(lowest, value));
    spec.datasets = {
      stretches: curves.stretches.map(([from, to]) => ({ from: from / 60, to: to / 60 })),
      events: events,
      fan_glyphs: glyphs.filter(({ kind }) => isOfAir(kind)),
      compressor_glyphs: glyphs.filter(({ kind }) => !isOfAir(kind)),
      lines: panel.series.flatMap(([name, style]) =>
        column(name).map((value, i) => ({ minute: minutes[i], value, name, style })),
      ),
      band: panel.bands.flatMap(([upper, lower]) =>
        minutes.map((minute, i) => {
          const [high, low] = [column(upper)[i], column(lower)[i]];
          const isKnown = typeof high === "number" && typeof low === "number";
          return { minute, lower: isKnown ? low : null, upper: isKnown ? high : null };
        }),
      ),
      distrusted: panel.series.flatMap(([name]) =>
        (curves.distrusted[name] || []).map(([second, value]) => ({
          minute: second / 60,
          value: onScale(value), // a reading far off stands crossed at the edge
        })),
      ),
    };
    return spec;
  }

  function historySpec(chart) {
    const spec = structuredClone(templates.history);
    spec.description = chart.description;
    spec.padding = { left: 4, right: 10, bottom: 4, top: 16 };
    spec.datasets = { points: chart.points, repairs: chart.repairs };
    const instants = chart.points.map(function ({ at }) {
      const [year, month, date, hours, minutes] = at.split(/[-T:]/).map(Number);
      return { year, month, date, hours, minutes, utc: true };
    });
    for (const layer of spec.layer) {
      layer.encoding.x.axis.values = instants;
    }
    return spec;
  }

  // ---- the reading line ----

  function clock(second) {
    const whole = Math.round(second);
    return Math.floor(whole / 60) + ":" + String(whole % 60).padStart(2, "0");
  }

  function number(value, decimals) {
    return typeof value === "number" ? value.toFixed(decimals).replace("-", "\u2212") : "";
  }

  function nearest(second) {
    const all = curves.seconds;
    let low = 0;
    let high = all.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (all[middle] <= second) {
        low = middle;
      } else {
        high = middle;
      }
    }
    return second - all[low] <= all[high] - second ? low : high;
  }

  function addReader(panel) {
    const plot = plotOf(panel.key);
    const items = Array.from(plot.closest("figure").querySelectorAll(".keys li"));
    const line = document.createElement("div");
    line.className = "reading";
    plot.append(line);
    plot.tabIndex = 0;
    plot.setAttribute("role", "slider");
    plot.setAttribute("aria-label", plot.closest("figure").querySelector("h3").textContent);
    plot.setAttribute("aria-valuemin", "0");
    plot.setAttribute("aria-valuemax", String(Math.round(lastSecond)));
    plot.setAttribute("aria-valuenow", "0");
    readers.push({ panel, plot, line, items });
    plot.addEventListener("pointermove", (event) => readAt(secondAt(plot, event.clientX)));
    plot.addEventListener("pointerleave", hide);
    plot.addEventListener("blur", hide);
    plot.addEventListener("keydown", stepOn);
  }

  function area(plot) {
    return plot.querySelector("svg g.root path.background").getBoundingClientRect();
  }

  function secondAt(plot, clientX) {
    const box = area(plot);
    const share = Math.min(1, Math.max(0, (clientX - box.left) / box.width));
    return share * lastMinute * 60;
  }

  let current = 0;

  function stepOn(event) {
    const steps = { ArrowLeft: -1, ArrowRight: 1, PageDown: -20, PageUp: 20 };
    const ends = { Home: 0, End: curves.seconds.length - 1 };
    if (event.key in steps) {
      current += steps[event.key];
    } else if (event.key in ends) {
      current = ends[event.key];
    } else {
      return;
    }
    event.preventDefault();
    current = Math.min(curves.seconds.length - 1, Math.max(0, current));
    readAt(curves.seconds[current]);
  }

  function readAt(second) {
    current = nearest(second);
    const at = curves.seconds[current];
    for (const reader of readers) {
      show(reader, at);
    }
  }

  function show({ panel, plot, line, items }, at) {
    const box = area(plot);
    const frame = plot.getBoundingClientRect();
    line.style.left = box.left - frame.left + (at / 60 / lastMinute) * box.width + "px";
    line.style.top = box.top - frame.top + "px";
    line.style.height = box.height + "px";
    line.dataset.clock = clock(at);
    line.classList.add("on");
    const values = panel.series.map(([name]) => (curves.values[name] || [])[current]);
    const texts = values.map((value) => number(value, panel.decimals));
    for (const [upper, lower] of panel.bands) {
      const [high, low] = [upper, lower].map((name) => (curves.values[name] || [])[current]);
      const isKnown = typeof high === "number" && typeof low === "number";
      texts.push(isKnown ? number(high - low, panel.decimals) + " " + panel.differenceUnit : "");
    }
    items.forEach((item, i) => {
      item.querySelector(".value").textContent = texts[i];
    });
    plot.setAttribute("aria-valuenow", String(Math.round(at)));
    const told = items.map((item, i) => item.dataset.words + " " + (texts[i] || "not known"));
    plot.setAttribute("aria-valuetext", clock(at) + ": " + told.join(", "));
  }

  function hide() {
    for (const { line, items } of readers) {
      line.classList.remove("on");
      for (const item of items) {
        item.querySelector(".value").textContent = "";
      }
    }
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
    const panels = curves ? curves.panels : [];
    for (const panel of panels) {
      plotOf(panel.key).style.minHeight = panel.height + 24 + "px";
    }
    for (const [i, panel] of panels.entries()) {
      await embed(panel.key, curveSpec(panel, i === 0));
      addReader(panel);
    }
    for (const chart of drawing.history) {
      await embed(chart.key, historySpec(chart));
    }
    document.documentElement.dataset.drawn = "yes";
    const aim = location.hash && document.getElementById(location.hash.slice(1));
    if (aim) {
      aim.scrollIntoView();
    }
  }

  draw();
})();
