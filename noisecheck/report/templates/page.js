(function () {
  document.documentElement.classList.add("has-js");
  function number(cell) {
    var value = cell.getAttribute("data-value");
    if (value === null) value = cell.textContent.trim();
    return value === "" || isNaN(Number(value)) ? null : Number(value);
  }
  function sort(table, column, header) {
    var down = header.getAttribute("aria-sort") === "ascending";
    var body = table.tBodies[0];
    var rows = Array.from(body.rows).map(function (row, at) {
      var cell = row.cells[column];
      return { row: row, at: at, n: number(cell), t: cell.textContent.trim() };
    });
    var sign = down ? -1 : 1;
    rows.sort(function (a, b) {
      if (a.n !== null && b.n !== null) return sign * (a.n - b.n) || a.at - b.at;
      if (a.n !== null) return -1;
      if (b.n !== null) return 1;
      if (!a.t !== !b.t) return a.t ? -1 : 1;
      return sign * a.t.localeCompare(b.t, undefined, { numeric: true }) || a.at - b.at;
    });
    table.querySelectorAll("th[aria-sort]").forEach(function (th) { th.removeAttribute("aria-sort"); });
    header.setAttribute("aria-sort", down ? "descending" : "ascending");
    rows.forEach(function (r) { body.appendChild(r.row); });
  }
  document.querySelectorAll("table.sortable").forEach(function (table) {
    Array.from(table.tHead.rows[0].cells).forEach(function (th, column) {
      var button = document.createElement("button");
      button.type = "button";
      while (th.firstChild) button.appendChild(th.firstChild);
      th.appendChild(button);
      button.addEventListener("click", function () { sort(table, column, th); });
    });
  });
  var find = document.getElementById("find"), odd = document.getElementById("only-odd");
  if (find && odd) {
    var rows = Array.from(document.getElementById("impacts-table").tBodies[0].rows);
    var texts = rows.map(function (r) { return r.textContent.toLowerCase(); });
    var show = function () {
      var words = find.value.toLowerCase().split(/\s+/).filter(Boolean), count = 0;
      rows.forEach(function (row, i) {
        var keep = (!odd.checked || row.classList.contains("odd")) && words.every(function (w) { return texts[i].includes(w); });
        row.hidden = !keep;
        if (keep) count += 1;
      });
      document.getElementById("count").textContent = count + " of " + rows.length + " shown";
    };
    find.addEventListener("input", show);
    odd.addEventListener("change", show);
  }
  var level = document.getElementById("true-level"), clips = Array.from(document.querySelectorAll("audio[data-raised]"));
  if (level) {
    var least = Math.min.apply(null, clips.map(function (c) { return Number(c.dataset.raised); }));
    level.addEventListener("change", function () {
      clips.forEach(function (c) { c.volume = level.checked ? Math.pow(10, (least - Number(c.dataset.raised)) / 20) : 1; });
    });
  }
  document.addEventListener("play", function (event) {
    clips.forEach(function (c) { if (c !== event.target) c.pause(); });
  }, true);
}());
