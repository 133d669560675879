(function () {
  "use strict";
  function compare(a, b) {
    var x = a.getAttribute("data-value"), y = b.getAttribute("data-value");
    if (x !== null && y !== null) { return x - y; }
    if (x !== null || y !== null) { return x !== null ? -1 : 1; }
    return a.textContent.trim().localeCompare(b.textContent.trim(), "en", { numeric: true });
  }
  function isEmpty(cell) { return cell.textContent.trim().charAt(0) === "–"; }
  function sort(table, column, sign) {
    var body = table.tBodies[0];
    Array.from(body.rows).sort(function (a, b) {
      var one = a.cells[column], other = b.cells[column];
      if (isEmpty(one) !== isEmpty(other)) { return isEmpty(one) ? 1 : -1; }
      return sign * compare(one, other);
    }).forEach(function (row) { body.appendChild(row); });
  }
  function prepare(table) {
    var heads = Array.from(table.tHead.rows[0].cells);
    heads.forEach(function (head, column) {
      var button = document.createElement("button");
      button.type = "button";
      button.append.apply(button, Array.from(head.childNodes));
      button.addEventListener("click", function () {
        var falls = head.getAttribute("aria-sort") === "ascending";
        heads.forEach(function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", falls ? "descending" : "ascending");
        sort(table, column, falls ? -1 : 1);
      });
      head.appendChild(button);
    });
  }
  document.querySelectorAll("table.sortable").forEach(prepare);
}());
