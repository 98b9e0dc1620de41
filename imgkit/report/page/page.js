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
  const reach = 14;
  const show = (cell) => {
    const title = cell && cell.querySelector("title");
    if (title) line.textContent = title.textContent;
  };
  // A place may be thinner than a pointer is steady: the nearest one within reach answers.
  const nearest = (drawing, x, y) => {
    let best = null;
    let least = reach;
    for (const cell of drawing.querySelectorAll("path.cell")) {
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
  map.addEventListener("pointermove", (event) => {
    const drawing = event.target.closest("svg[role=group]");
    if (drawing) show(event.target.closest(".cell") || nearest(drawing, event.clientX, event.clientY));
  });
  map.addEventListener("focusin", (event) => show(event.target.closest(".cell")));
  const steps = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 };
  map.addEventListener("keydown", (event) => {
    const drawing = event.target.closest("svg");
    const step = steps[event.key];
    if (!drawing || !step) return;
    const cells = Array.from(drawing.querySelectorAll(".cell"));
    if (!cells.length) return;
    const at = cells.indexOf(event.target);
    const next = at < 0 ? (step > 0 ? 0 : cells.length - 1) : (at + step + cells.length) % cells.length;
    cells[next].focus();
    event.preventDefault();
  });
}
