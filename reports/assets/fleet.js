// The fleet list: filter by state, model and text, sort by column, keep the choice in the
// address so that it can be sent to someone. The page is complete without this script.
(function () {
  "use strict";

  const table = document.getElementById("fleet");
  const form = document.querySelector("form.filters");
  document.documentElement.classList.add("scripted");
  if (!table) {
    return;
  }
  const body = table.tBodies[0];
  const tiles = Array.from(document.querySelectorAll(".tile"));
  const shown = document.querySelector(".shown");
  const empty = document.querySelector(".empty");
  const entries = Array.from(body.rows, read);
  const choice = { state: "", model: "", text: "" };
  let order = { by: "rank", descending: false };

  // what is compared: numbers where the cell is a number, text elsewhere
  function read(row, rank) {
    const cells = row.cells;
    const size = row.dataset.z === undefined ? -1 : Math.abs(Number(row.dataset.z));
    const q = row.dataset.q === undefined ? 2 : Number(row.dataset.q);
    return {
      row: row,
      state: row.dataset.s,
      text: row.textContent.toLowerCase(),
      rank: rank,
      vehicle: cells[1].textContent,
      model: cells[2].textContent,
      quantity: row.querySelector(".w").textContent,
      size: -size,
      q: q,
      tested: row.querySelector(".t").textContent,
    };
  }

  function fits(entry) {
    return (
      (!choice.state || entry.state === choice.state) &&
      (!choice.model || entry.model === choice.model) &&
      choice.text.split(/\s+/).every((word) => entry.text.includes(word))
    );
  }

  function filter() {
    let count = 0;
    for (const entry of entries) {
      const isShown = fits(entry);
      entry.row.hidden = !isShown;
      count += isShown ? 1 : 0;
    }
    shown.textContent = count + " of " + entries.length + " vehicles";
    empty.hidden = count > 0;
    table.hidden = count === 0;
    for (const tile of tiles) {
      tile.setAttribute("aria-pressed", String(tile.dataset.state === choice.state));
    }
  }

  const collator = new Intl.Collator("en", { numeric: true });

  function sort() {
    const key = order.by;
    const way = order.descending ? -1 : 1;
    entries.sort(function (one, other) {
      const a = one[key];
      const b = other[key];
      const compared = typeof a === "number" ? a - b : collator.compare(a, b);
      return way * compared || one.rank - other.rank;
    });
    body.append(...entries.map((entry) => entry.row));
    for (const header of table.tHead.rows[0].cells) {
      if (header.firstElementChild.dataset.sort === key) {
        header.setAttribute("aria-sort", order.descending ? "descending" : "ascending");
      } else {
        header.removeAttribute("aria-sort");
      }
    }
  }

  function remember() {
    const address = new URLSearchParams();
    for (const [name, value] of Object.entries(choice)) {
      if (value) {
        address.set(name, value);
      }
    }
    if (order.by !== "rank" || order.descending) {
      address.set("sort", (order.descending ? "-" : "") + order.by);
    }
    const text = address.toString();
    history.replaceState(null, "", text ? "#" + text : "#");
  }

  function recall() {
    if (location.hash && document.getElementById(location.hash.slice(1))) {
      return; // a place on the page, not a choice
    }
    const address = new URLSearchParams(location.hash.slice(1));
    const states = tiles.map((tile) => tile.dataset.state);
    const models = Array.from(form.elements.model.options, (option) => option.value);
    const state = address.get("state") || "";
    const model = address.get("model") || "";
    choice.state = states.includes(state) ? state : "";
    choice.model = models.includes(model) ? model : "";
    choice.text = (address.get("text") || "").toLowerCase().trim();
    form.elements.model.value = choice.model;
    form.elements.text.value = choice.text;
    const by = (address.get("sort") || "rank").replace(/^-/, "");
    const isKnown = table.querySelector('[data-sort="' + CSS.escape(by) + '"]') !== null;
    order = isKnown
      ? { by: by, descending: (address.get("sort") || "").startsWith("-") }
      : { by: "rank", descending: false };
    sort();
    filter();
  }

  for (const tile of tiles) {
    tile.addEventListener("click", function () {
      choice.state = choice.state === tile.dataset.state ? "" : tile.dataset.state;
      filter();
      remember();
    });
  }
  table.tHead.addEventListener("click", function (event) {
    const by = event.target.dataset.sort;
    if (by) {
      order = { by: by, descending: order.by === by && !order.descending };
      sort();
      remember();
    }
  });
  form.addEventListener("input", function () {
    choice.text = form.elements.text.value.toLowerCase().trim();
    choice.model = form.elements.model.value;
    filter();
    remember();
  });
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", function () {
    Object.assign(choice, { state: "", model: "", text: "" });
    filter();
    remember();
  });
  window.addEventListener("hashchange", recall);
  recall();
  filter();
})();
