// Sorts and filters tables that are marked as sortable. Without it every table stands in its own order, complete.
"use strict";
(function () {
  function key(row, column) {
    const cell = row.cells[column];
    const own = cell.getAttribute("data-key");
    return own === null ? cell.textContent.trim() : own;
  }
  function compare(a, b) {
    const x = Number(a), y = Number(b);
    if (a !== "" && b !== "" && !Number.isNaN(x) && !Number.isNaN(y)) return x - y;
    if ((a === "") !== (b === "")) return a === "" ? 1 : -1;
    return a < b ? -1 : a > b ? 1 : 0;
  }
  function sort(table, head, column) {
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const body = table.tBodies[0];
    const rows = Array.from(body.rows).map((row, place) => [key(row, column), place, row]);
    rows.sort((a, b) => (down ? -1 : 1) * compare(a[0], b[0]) || a[1] - b[1]);
    for (const [, , row] of rows) body.appendChild(row);
  }
  function filter(table, input) {
    const label = document.createElement("label");
    label.className = "find";
    label.append("Show only rows with", input);
    table.parentElement.before(label);
    input.type = "search";
    input.addEventListener("input", () => {
      const wanted = input.value.toLocaleLowerCase();
      for (const row of table.tBodies[0].rows) row.hidden = !row.textContent.toLocaleLowerCase().includes(wanted);
    });
  }
  for (const table of document.querySelectorAll("table.sortable")) {
    Array.from(table.tHead.rows[0].cells).forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => sort(table, head, column));
    });
    if (table.tBodies[0].rows.length > 12) filter(table, document.createElement("input"));
  }
})();
