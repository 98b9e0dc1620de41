(() => {
  "use strict";
  const controls = document.getElementById("range-filter");
  if (!controls) return;
  const state = document.getElementById("filter-state");
  const partition = document.getElementById("filter-partition");
  const shown = document.getElementById("filter-shown");
  const rows = Array.from(document.querySelectorAll("#ranges-table tbody tr"));
  const isWanted = (row) =>
    (state.value === "" || row.dataset.state === state.value) &&
    (partition.value === "" || row.dataset.partitions.split(" ").includes(partition.value));
  const apply = () => {
    let count = 0;
    for (const row of rows) {
      row.hidden = !isWanted(row);
      if (!row.hidden) count += 1;
    }
    shown.textContent = `${count} of ${rows.length} rows shown`;
  };
  state.addEventListener("change", apply);
  partition.addEventListener("change", apply);
  document.getElementById("filter-clear").addEventListener("click", () => {
    state.value = "";
    partition.value = "";
    apply();
  });
  controls.hidden = false;
  apply();
})();

(() => {
  "use strict";
  const told = document.getElementById("map-told");
  if (!told) return;
  const reach = 14;
  const tell = (cell) => {
    const title = cell && cell.querySelector("title");
    if (title) told.textContent = title.textContent;
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
  const map = document.querySelector("section.map");
  map.addEventListener("pointermove", (event) => {
    const drawing = event.target.closest("svg[role=group]");
    if (drawing) tell(event.target.closest(".cell") || nearest(drawing, event.clientX, event.clientY));
  });
  map.addEventListener("focusin", (event) => tell(event.target.closest(".cell")));
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
})();
