// What a reader chose on a vehicle page: units and the stretch looked at. Kept in the page's
// address, so that a link shows the same, and the units in the browser, where it lets us.
(function () {
  "use strict";

  const drawing = JSON.parse(document.getElementById("drawing").textContent);
  const page = { drawing };
  window.chillrosterPage = page;

  // ---- the address: an anchor, then name=value ----

  function readAddress() {
    const parts = location.hash.slice(1).split("&");
    const named = parts.filter((part) => part.includes("="));
    return { anchor: parts.find((part) => part && !part.includes("=")) || "", named: new URLSearchParams(named.join("&")) };
  }

  page.anchor = function () {
    try {
      return decodeURIComponent(readAddress().anchor);
    } catch {
      return "";
    }
  };

  page.fromAddress = (name) => readAddress().named.get(name);

  page.toAddress = function (values) {
    const { anchor, named } = readAddress();
    for (const [name, value] of Object.entries(values)) {
      if (value === null) {
        named.delete(name);
      } else {
        named.set(name, value);
      }
    }
    const hash = [anchor, named.toString()].filter(Boolean).join("&");
    try {
      history.replaceState(null, "", hash ? "#" + hash : location.pathname + location.search);
    } catch {
      // a page that may not change its address works all the same
    }
  };

  function remembered(name) {
    try {
      return localStorage.getItem("chillroster-" + name);
    } catch {
      return null;
    }
  }

  function remember(name, value) {
    try {
      localStorage.setItem("chillroster-" + name, value);
    } catch {
      // pages from a disk may not be allowed to keep anything
    }
  }

  // ---- units: numbers in the page stand as written, and are turned into the chosen ones ----

  const chosen = {};
  for (const kind of ["pressure", "temperature"]) {
    const { choices, written } = drawing.units[kind];
    const asked = [page.fromAddress(kind), remembered(kind), written];
    chosen[kind] = asked.find((name) => name !== null && Object.hasOwn(choices, name));
  }

  function nameOf(kind) {
    return kind === "difference" ? chosen.temperature : chosen[kind];
  }

  page.unit = (kind) => (kind ? drawing.units[kind].choices[nameOf(kind)] : null);

  page.convert = function (kind, value) {
    if (!kind || typeof value !== "number") {
      return value;
    }
    const { choices, written } = drawing.units[kind];
    const [from, to] = [choices[written], choices[nameOf(kind)]];
    return from === to ? value : ((value - from.offset) / from.scale) * to.scale + to.offset;
  };

  page.convertDifference = (kind, value) =>
    kind ? page.convert(kind, value) - page.convert(kind, 0) : value;

  page.number = (value, decimals) =>
    typeof value === "number" ? value.toFixed(decimals).replace("-", "\u2212") : "";

  // a number that the page holds in canonical units, such as a cell of a table
  function rewrite(element) {
    const unit = page.unit(element.dataset.kind);
    const isDifference = "difference" in element.dataset;
    const value = Number(element.dataset.value) * unit.scale + (isDifference ? 0 : unit.offset);
    const text = page.number(value, unit.decimals);
    const sign = element.dataset.difference === "signed" && value > 0 && Number(text) ? "+" : "";
    element.textContent = sign + text + "\u00a0" + (isDifference ? unit.difference : unit.label);
  }

  const listeners = [];
  page.onUnits = (listener) => listeners.push(listener);

  function showUnits() {
    for (const element of document.querySelectorAll(".unit[data-kind]")) {
      element.textContent = page.unit(element.dataset.kind).label;
    }
    document.querySelectorAll("[data-kind][data-value]").forEach(rewrite);
  }

  for (const select of document.querySelectorAll("select[data-unit]")) {
    const kind = select.dataset.unit;
    select.value = chosen[kind];
    select.addEventListener("change", function () {
      chosen[kind] = select.value;
      remember(kind, select.value);
      page.toAddress({ [kind]: select.value });
      showUnits();
      listeners.forEach((listener) => listener());
    });
  }
  if (Object.entries(chosen).some(([kind, name]) => name !== drawing.units[kind].written)) {
    showUnits();
  }
  for (const element of document.querySelectorAll("[data-scripted]")) {
    element.hidden = false;
  }
})();
