"use strict";
// Sorts the table by the heading that is pressed; the same heading again turns the order.
(() => {
  const table = document.getElementById("scans");
  const heads = [...table.tHead.rows[0].cells];
  const compare = (kind) => (a, b) => {
    if (kind === "text") return a.localeCompare(b, undefined, { numeric: true });
    // What has no figure, a refused scan, stays at the end of a rising order.
    return (a === "" ? Infinity : Number(a)) - (b === "" ? Infinity : Number(b)) || 0;
  };
  heads.forEach((head, column) => {
    head.querySelector("button").addEventListener("click", () => {
      const rising = head.getAttribute("aria-sort") !== "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", rising ? "ascending" : "descending");
      const by = compare(head.dataset.sort);
      const key = (row) => row.cells[column].dataset.key;
      const rows = [...table.tBodies[0].rows];
      rows.sort((a, b) => (rising ? 1 : -1) * by(key(a), key(b)));
      table.tBodies[0].append(...rows);
    });
  });
  const several = document.getElementById("several");
  several.addEventListener("change", () => document.body.classList.toggle("several", several.checked));
  document.getElementById("print").addEventListener("click", () => window.print());
})();
