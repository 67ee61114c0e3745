"use strict";
// Sorting by a click on a heading, and a filter over long tables. The page reads the same without.
for (const table of document.querySelectorAll("div.table table")) {
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  if (rows.length < 2) continue;
  const heads = Array.from(table.tHead.rows[0].cells);
  const value = (row, i) => {
    const cell = row.cells[i];
    return cell.dataset.v !== undefined ? cell.dataset.v : cell.textContent.trim();
  };
  heads.forEach((head, i) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    head.textContent = "";
    head.append(button);
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((h) => h.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const sorted = rows.slice().sort((a, b) => {
        const x = value(a, i), y = value(b, i);
        const nx = Number(x), ny = Number(y);
        const none = (s) => s === "–" || s === "";
        if (none(x) !== none(y)) return none(x) ? 1 : -1;
        const order = x !== "" && y !== "" && Number.isFinite(nx) && Number.isFinite(ny) ? nx - ny : x.localeCompare(y, "en", { numeric: true });
        return down ? -order : order;
      });
      sorted.forEach((row) => body.append(row));
    });
  });
  if (rows.length < 8) continue;
  const label = document.createElement("label");
  label.className = "filter";
  label.append("Show rows with ");
  const input = document.createElement("input");
  input.type = "search";
  label.append(input);
  table.closest("div.table").prepend(label);
  input.addEventListener("input", () => {
    const wanted = input.value.toLowerCase();
    rows.forEach((row) => { row.hidden = !row.textContent.toLowerCase().includes(wanted); });
  });
}
