// Sorts a table by a column, and narrows long tables to the rows that hold a text.
"use strict";
const key = (row, column) => {
  const cell = row.cells[column];
  const value = cell.dataset.sort;
  return value === undefined ? null : value;
};
const compare = (a, b) => {
  if (a === null || b === null) return a === b ? 0 : a === null ? 1 : -1; // gaps go last
  const [x, y] = [Number(a), Number(b)];
  return Number.isNaN(x) || Number.isNaN(y) ? a.localeCompare(b) : x - y;
};
for (const table of document.querySelectorAll("table")) {
  const body = table.tBodies[0];
  table.tHead.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    const head = button.parentElement;
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const other of head.parentElement.cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const rows = [...body.rows].sort((a, b) => {
      const [x, y] = [key(a, head.cellIndex), key(b, head.cellIndex)];
      const order = compare(x, y);
      return down && x !== null && y !== null ? -order : order;
    });
    body.append(...rows);
  });
  if (body.rows.length > 12) {
    const label = document.createElement("label");
    label.className = "filter";
    const input = document.createElement("input");
    input.type = "search";
    label.append("Show rows with ", input);
    input.addEventListener("input", () => {
      const wanted = input.value.toLowerCase();
      for (const row of body.rows) row.hidden = !row.textContent.toLowerCase().includes(wanted);
    });
    table.parentElement.before(label);
  }
}
