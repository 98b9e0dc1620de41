"use strict";

for (const controls of document.querySelectorAll(".filter")) {
  const selects = Array.from(controls.querySelectorAll("select"));
  const rows = Array.from(document.querySelectorAll(`#${controls.dataset.table} tbody tr`));
  const shown = controls.querySelector("output");
  const isWanted = (row) =>
    selects.every(
      (select) =>
        select.value === "" || row.getAttribute(`data-filter-${select.dataset.column}`).split(" ").includes(select.value),
    );
  const apply = () => {
    for (const row of rows) row.hidden = !isWanted(row);
    shown.textContent = `${rows.filter((row) => !row.hidden).length} of ${rows.length} rows shown`;
  };
  for (const select of selects) select.addEventListener("change", apply);
  controls.querySelector("button").addEventListener("click", () => {
    for (const select of selects) select.value = "";
    apply();
  });
  controls.hidden = false;
  apply();
}

for (const map of document.querySelectorAll(".map")) {
  const line = map.querySelector(".pointed-at");
  const drawings = Array.from(map.querySelectorAll(".drawing"));
  const reach = 14;
  const most = 32;
  let zoom = 1;
  const link = (to, name) => {
    const made = document.createElement("a");
    made.href = `#${to}`;
    made.textContent = name;
    line.append(" ", made);
  };
  const show = (cell) => {
    const title = cell && cell.querySelector("title");
    if (!title) return;
    line.textContent = title.textContent;
    const to = cell.parentNode.closest("a");
    if (to) link(to.getAttribute("href").slice(1), "range");
    if (cell.dataset.episode) link(`episode-${cell.dataset.episode}`, "episode");
  };
  // A place may be thinner than a pointer is steady: the nearest one within reach answers.
  const nearest = (drawing, x, y) => {
    let best = null;
    let least = reach;
    for (const cell of drawing.querySelectorAll(".cell")) {
      const box = cell.getBoundingClientRect();
      const dx = Math.max(box.left - x, 0, x - box.right);
      const dy = Math.max(box.top - y, 0, y - box.bottom);
      const distance = Math.hypot(dx, dy);
      if (distance < least) {
        least = distance;
        best = cell;
      }
    }
    return best;
  };
  // All charts have one scale, and what was in the middle stays there.
  const setZoom = (wanted, drawing, x) => {
    const before = zoom;
    zoom = Math.min(most, Math.max(1, wanted));
    const chart = drawing ? drawing.parentNode : null;
    const at = chart ? (x === undefined ? chart.clientWidth / 2 : x - chart.getBoundingClientRect().left) : 0;
    const place = chart ? (chart.scrollLeft + at) / before : 0;
    for (const each of drawings) {
      each.style.setProperty("--zoom", zoom);
      each.parentNode.scrollLeft = place * zoom - at;
    }
  };
  const zooms = { in: () => zoom * 2, out: () => zoom / 2, whole: () => 1 };
  for (const button of map.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => setZoom(zooms[button.dataset.zoom](), drawings[0]));
  }
  map.querySelector(".zoom").hidden = false;
  for (const each of drawings) {
    each.parentNode.addEventListener("scroll", () => {
      for (const other of drawings) {
        if (other.parentNode.scrollLeft !== each.parentNode.scrollLeft) other.parentNode.scrollLeft = each.parentNode.scrollLeft;
      }
    });
  }
  map.addEventListener("dblclick", (event) => {
    const drawing = event.target.closest(".drawing");
    if (drawing) setZoom(event.shiftKey ? zoom / 2 : zoom * 2, drawing, event.clientX);
  });
  map.addEventListener("pointermove", (event) => {
    const drawing = event.target.closest(".drawing");
    const cell = drawing && (event.target.closest(".cell") || nearest(drawing, event.clientX, event.clientY));
    if (cell) show(cell);
  });
  map.addEventListener("focusin", (event) => {
    show(event.target.matches("a") ? event.target.querySelector(".cell") : event.target.closest(".cell"));
  });
  const steps = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 };
  const keys = { "+": "in", "=": "in", "-": "out", "−": "out", 0: "whole" };
  map.addEventListener("keydown", (event) => {
    const drawing = event.target.closest(".drawing");
    if (!drawing || event.ctrlKey || event.metaKey || event.altKey) return;
    if (keys[event.key]) {
      setZoom(zooms[keys[event.key]](), drawing);
      event.preventDefault();
      return;
    }
    const step = steps[event.key];
    const places = Array.from(drawing.querySelectorAll("a, .cell[tabindex]"));
    if (!step || !places.length) return;
    const at = places.indexOf(event.target);
    const next = at < 0 ? (step > 0 ? 0 : places.length - 1) : (at + step + places.length) % places.length;
    places[next].focus();
    event.preventDefault();
  });
}
