// One reading line and one stretch of time for all curves of a test: by pointer, by touch, by
// keys on a focused chart, or by the buttons above them.
(function () {
  "use strict";

  const page = window.chillrosterPage;
  const curves = page.drawing.curves;
  page.readers = [];
  if (!curves || !curves.seconds.length) {
    page.fitLanes = function () {};
    return;
  }
  const MOST_MARKS = 24; // more would lie on each other on a phone
  const LEAST_S = 10;
  const DRAG_PX = 8; // a shorter way of the pointer is a tap
  const last = Math.max(curves.seconds[curves.seconds.length - 1], 1);
  const lanes = document.getElementById("lanes");
  const told = document.getElementById("told");
  const shown = document.getElementById("shown-stretch");
  const span = { from: 0, to: last };
  page.span = span;

  function clock(second) {
    const whole = Math.round(second);
    return Math.floor(whole / 60) + ":" + String(whole % 60).padStart(2, "0");
  }

  // ---- the stretch looked at ----

  function limited(from, to) {
    const length = Math.min(last, Math.max(LEAST_S, to - from));
    const start = Math.min(Math.max(0, from), last - length);
    return [start, start + length];
  }

  page.look = function (from, to) {
    [span.from, span.to] = limited(from, to);
    const isWhole = span.from <= 0 && span.to >= last;
    page.toAddress({
      from: isWhole ? null : String(Math.round(span.from)),
      to: isWhole ? null : String(Math.round(span.to)),
    });
    shown.textContent = isWhole
      ? "Whole test, " + clock(last)
      : clock(span.from) + " to " + clock(span.to) + " of " + clock(last);
    page.readers.forEach(({ view }) => zoom(view));
    hide();
    page.fitLanes();
  };

  function zoom(view) {
    view.signal("first_minute", span.from / 60).signal("last_minute", span.to / 60).run();
  }

  function scaleBy(factor) {
    const isRead = current !== null && at() >= span.from && at() <= span.to;
    const middle = isRead ? at() : (span.from + span.to) / 2;
    const length = (span.to - span.from) * factor;
    page.look(middle - length / 2, middle + length / 2);
  }

  function moveBy(share) {
    const way = (span.to - span.from) * share;
    page.look(span.from + way, span.to + way);
  }

  const ACTIONS = {
    closer: () => scaleBy(0.5),
    wider: () => scaleBy(2),
    earlier: () => moveBy(-0.5),
    later: () => moveBy(0.5),
    whole: () => page.look(0, last),
  };
  for (const button of document.querySelectorAll("[data-look]")) {
    button.addEventListener("click", ACTIONS[button.dataset.look]);
  }
  const stretchSelect = document.getElementById("go-to-stretch");
  stretchSelect.addEventListener("change", function () {
    const [from, to] = stretchSelect.value.split(" ").map(Number);
    const edge = (to - from) * 0.1;
    page.look(from - edge, to + edge);
  });

  // ---- regimes and event marks above the charts ----

  // what moves air stands in a row of its own: fan and compressor often switch together
  function isOfAir(kind) {
    return /^(fan|blower|recirculation)/.test(kind);
  }

  function tell(text) {
    told.textContent = text;
  }

  function place(button, from, to) {
    const length = span.to - span.from;
    const [start, end] = [Math.max(from, span.from), Math.min(to, span.to)];
    button.hidden = to < span.from || from > span.to;
    button.style.left = (100 * (start - span.from)) / length + "%";
    if (to > from) {
      button.style.width = (100 * (end - start)) / length + "%";
    }
  }

  function laneButton(lane, text, words) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = text;
    button.setAttribute("aria-label", words);
    button.title = words;
    for (const kind of ["focus", "pointerenter", "click"]) {
      button.addEventListener(kind, () => tell(words));
    }
    lane.append(button);
    return button;
  }

  const regimeLane = lanes.querySelector("[data-lane=regimes]");
  const regimes = curves.regimes.map(function ([from, to, words, sentence]) {
    const spoken = clock(from) + " to " + clock(to) + " " + words + (sentence ? ": " + sentence : "");
    const button = laneButton(regimeLane, words, spoken);
    button.addEventListener("click", () => page.look(from, to));
    return { button, from, to, words };
  });
  const marks = curves.events.map(function ([second, kind, glyph, words]) {
    const lane = lanes.querySelector(isOfAir(kind) ? "[data-lane=air]" : "[data-lane=compressor]");
    const button = laneButton(lane, glyph, clock(second) + " " + words);
    button.addEventListener("click", () => readAt(second));
    return { button, second };
  });
  const crowded = document.getElementById("crowded");

  page.fitLanes = function () {
    const reader = page.readers[0];
    if (reader) {
      const [box, frame] = [area(reader.plot), lanes.getBoundingClientRect()];
      lanes.style.paddingLeft = Math.max(0, box.left - frame.left) + "px";
      lanes.style.paddingRight = Math.max(0, frame.right - box.right) + "px";
    }
    regimes.forEach(({ button, from, to }) => place(button, from, to));
    marks.forEach(({ button, second }) => place(button, second, second));
    const visible = marks.filter(({ button }) => !button.hidden);
    const isCrowded = visible.length > MOST_MARKS;
    if (isCrowded) {
      visible.forEach(({ button }) => (button.hidden = true));
    }
    crowded.hidden = !isCrowded;
    crowded.textContent = visible.length + " events in this stretch; look closer to see their marks.";
    page.isCrowded = isCrowded;
    page.readers.forEach(({ view }) => view.signal("event_opacity", isCrowded ? 0.35 : 1).run());
  };
  window.addEventListener("resize", () => requestAnimationFrame(page.fitLanes));

  // ---- the reading line ----

  let current = null;
  const at = () => curves.seconds[current];

  function nearest(all, second) {
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

  function area(plot) {
    return plot.querySelector("svg g.root path.background").getBoundingClientRect();
  }

  function secondAt(plot, clientX) {
    const box = area(plot);
    const share = Math.min(1, Math.max(0, (clientX - box.left) / box.width));
    return span.from + share * (span.to - span.from);
  }

  function readAt(second) {
    current = nearest(curves.seconds, second);
    page.readers.forEach((reader) => show(reader));
    tell(whatIs(at()));
  }

  // regime, nearby event and what is not trusted at an instant, in words
  function whatIs(second) {
    const regime = regimes.find(({ from, to }) => second >= from && second < to);
    const parts = [clock(second), regime ? regime.words : ""];
    const [event] = curves.events.filter(([moment]) => Math.abs(moment - second) <= 3);
    if (event) {
      parts.push(clock(event[0]) + " " + event[3]);
    }
    for (const { panel, items } of page.readers) {
      panel.series.forEach(function ([name], i) {
        if (isDistrusted(name, second)) {
          parts.push(items[i].dataset.words + " not trusted: " + (curves.rules[name] || ""));
        }
      });
    }
    return parts.filter(Boolean).join(" \u00b7 ");
  }

  function isDistrusted(name, second) {
    return (curves.hatched[name] || []).some(([from, to]) => second >= from && second <= to);
  }

  function valuesAt({ seconds, values }, second) {
    const row = nearest(seconds, second);
    return (name) => (values[name] || [])[row];
  }

  // the curves' values at the reading line, then the shaded distance between two of them
  function textsAt(panel, value) {
    const unit = page.unit(panel.kind);
    const decimals = unit ? unit.decimals : panel.decimals;
    const texts = panel.series.map(([name]) =>
      page.number(page.convert(panel.kind, value(name)), decimals),
    );
    for (const [upper, lower] of panel.bands) {
      const [high, low] = [value(upper), value(lower)];
      const isKnown = typeof high === "number" && typeof low === "number";
      const distance = page.convertDifference(panel.kind, high - low);
      texts.push(isKnown ? page.number(distance, decimals) + " " + unit.difference : "");
    }
    return texts;
  }

  function show({ panel, plot, line, items }) {
    const box = area(plot);
    const frame = plot.getBoundingClientRect();
    const share = (at() - span.from) / (span.to - span.from);
    line.style.left = box.left - frame.left + share * box.width + "px";
    line.style.top = box.top - frame.top + "px";
    line.style.height = box.height + "px";
    line.dataset.clock = clock(at());
    line.classList.toggle("on", share >= 0 && share <= 1);
    const texts = textsAt(panel, valuesAt(curves, at()));
    const other = page.overlay ? textsAt(panel, valuesAt(page.overlay, at())) : [];
    items.forEach(function (item, i) {
      const before = other[i] ? " (" + other[i] + ")" : "";
      item.querySelector(".value").textContent = texts[i] + before;
    });
    plot.setAttribute("aria-valuenow", String(Math.round(at())));
    const spoken = items.map(function (item, i) {
      const name = panel.series[i] ? panel.series[i][0] : "";
      const doubt = isDistrusted(name, at()) ? " not trusted" : " not known";
      return item.dataset.words + " " + (texts[i] || doubt.trim());
    });
    plot.setAttribute("aria-valuetext", clock(at()) + ": " + spoken.join(", "));
  }

  function hide() {
    current = null;
    for (const { line, items } of page.readers) {
      line.classList.remove("on");
      for (const item of items) {
        item.querySelector(".value").textContent = "";
      }
    }
    tell("");
  }

  // ---- one brush: drag across a chart, or Shift and arrow keys, then Enter ----

  let anchor = null; // seconds
  let edge = null;

  function brush() {
    const [from, to] = anchor === null ? [0, 0] : [Math.min(anchor, edge), Math.max(anchor, edge)];
    for (const { plot, brushed } of page.readers) {
      brushed.hidden = anchor === null;
      if (anchor !== null) {
        const box = area(plot);
        const frame = plot.getBoundingClientRect();
        const left = (second) => ((second - span.from) / (span.to - span.from)) * box.width;
        brushed.style.left = box.left - frame.left + left(from) + "px";
        brushed.style.width = left(to) - left(from) + "px";
        brushed.style.top = box.top - frame.top + "px";
        brushed.style.height = box.height + "px";
      }
    }
    if (anchor !== null) {
      tell("Look at " + clock(from) + " to " + clock(to));
    }
  }

  function unbrush() {
    anchor = null;
    brush();
  }

  function lookAtBrushed() {
    const [from, to] = [Math.min(anchor, edge), Math.max(anchor, edge)];
    unbrush();
    page.look(from, to);
  }

  function addPointer(plot) {
    let startX = null;
    plot.addEventListener("pointerdown", function (event) {
      startX = event.button === 0 ? event.clientX : null;
    });
    plot.addEventListener("pointermove", function (event) {
      if (startX !== null && Math.abs(event.clientX - startX) > DRAG_PX) {
        plot.setPointerCapture(event.pointerId);
        anchor = secondAt(plot, startX);
        edge = secondAt(plot, event.clientX);
        brush();
      } else {
        readAt(secondAt(plot, event.clientX));
      }
    });
    plot.addEventListener("pointerup", function (event) {
      startX = null;
      if (anchor !== null) {
        lookAtBrushed();
      } else {
        readAt(secondAt(plot, event.clientX));
      }
    });
    plot.addEventListener("pointercancel", function () {
      startX = null;
      unbrush();
    });
    plot.addEventListener("pointerleave", function () {
      if (anchor === null && document.activeElement !== plot) {
        hide();
      }
    });
    plot.addEventListener("dblclick", ACTIONS.whole);
  }

  const STEPS = { ArrowLeft: -1, ArrowRight: 1, PageDown: -20, PageUp: 20 };

  function onKey(event) {
    const ends = { Home: span.from, End: span.to };
    const keys = { "+": ACTIONS.closer, "-": ACTIONS.wider, 0: ACTIONS.whole };
    if (event.ctrlKey || event.metaKey || event.altKey) {
      return;
    }
    if (event.key in STEPS || event.key in ends) {
      const before = current === null ? nearest(curves.seconds, span.from) : current;
      const moved = event.key in STEPS ? before + STEPS[event.key] : nearest(curves.seconds, ends[event.key]);
      const row = Math.min(curves.seconds.length - 1, Math.max(0, moved));
      if (event.shiftKey && anchor === null) {
        anchor = curves.seconds[before];
      }
      readAt(curves.seconds[row]);
      edge = at();
      if (!event.shiftKey) {
        anchor = null;
      }
      brush();
    } else if (event.key === "Enter" && anchor !== null) {
      lookAtBrushed();
    } else if (event.key === "Escape") {
      unbrush();
      ACTIONS.whole();
    } else if (event.key in keys) {
      keys[event.key]();
    } else {
      return;
    }
    event.preventDefault();
  }

  // a chart drawn anew has lost what stood in it
  page.addReader = function (panel, plot, view) {
    const line = document.createElement("div");
    line.className = "reading";
    const brushed = document.createElement("div");
    brushed.className = "brushed";
    brushed.hidden = true;
    plot.append(brushed, line);
    const items = Array.from(plot.closest("figure").querySelectorAll(".keys li"));
    page.readers.push({ panel, plot, line, brushed, items, view });
    // drawing anew gives the place the role of a picture again
    plot.setAttribute("role", "slider");
    plot.setAttribute("aria-label", plot.closest("figure").querySelector("h3").textContent);
    plot.setAttribute("aria-valuemin", "0");
    plot.setAttribute("aria-valuemax", String(Math.round(last)));
    plot.setAttribute("aria-valuenow", "0");
    if (plot.tabIndex === 0) {
      return;
    }
    plot.tabIndex = 0;
    plot.addEventListener("blur", hide);
    plot.addEventListener("keydown", onKey);
    addPointer(plot);
  };

  const asked = ["from", "to"].map((name) => Number(page.fromAddress(name) || NaN));
  if (asked.some(Number.isFinite)) {
    [span.from, span.to] = limited(asked[0] || 0, asked[1] || last);
  }
})();
