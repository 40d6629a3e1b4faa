document.documentElement.classList.add("has-js");

function element(id) {
  return document.getElementById(id);
}

function made(tag, text, attributes) {
  const node = document.createElement(tag);
  if (text !== undefined) node.textContent = text;
  Object.entries(attributes || {}).forEach(([name, value]) => node.setAttribute(name, value));
  return node;
}

/* What a cell says to a machine: its value, or its text with a plain minus sign and no commas between thousands. */
function plain(cell) {
  const value = cell.getAttribute("data-value");
  if (value !== null) return value;
  const text = cell.textContent.trim().replaceAll("\u2212", "-");
  return /^-?\d{1,3}(,\d{3})+$/.test(text) ? text.replaceAll(",", "") : text;
}

function numberIn(cell) {
  const value = plain(cell);
  return value === "" || Number.isNaN(Number(value)) ? null : Number(value);
}

function sortBy(table, column, header) {
  const sign = header.getAttribute("aria-sort") === "ascending" ? -1 : 1;
  const body = table.tBodies[0];
  const rows = Array.from(body.rows, (row, at) => {
    const cell = row.cells[column];
    return { row, at, n: numberIn(cell), t: cell.textContent.trim() };
  });
  rows.sort((a, b) => {
    if (a.n !== null && b.n !== null) return sign * (a.n - b.n) || a.at - b.at;
    if (a.n !== null) return -1;
    if (b.n !== null) return 1;
    if (!a.t !== !b.t) return a.t ? -1 : 1;
    return sign * a.t.localeCompare(b.t, undefined, { numeric: true }) || a.at - b.at;
  });
  table.querySelectorAll("th[aria-sort]").forEach((th) => th.removeAttribute("aria-sort"));
  header.setAttribute("aria-sort", sign < 0 ? "descending" : "ascending");
  body.append(...rows.map((r) => r.row));
}

function makeSortable(table) {
  Array.from(table.tHead.rows[0].cells).forEach((th, column) => {
    const button = made("button", undefined, { type: "button" });
    button.append(...th.childNodes);
    th.append(button);
    button.addEventListener("click", () => sortBy(table, column, th));
  });
}

/* A cell of a CSV file; text that a spreadsheet would run as a formula gets an apostrophe. */
function csvCell(text) {
  const safe = /^[=+\-@\t\r]/.test(text) && Number.isNaN(Number(text)) ? "'" + text : text;
  return /[",\n\r]/.test(safe) ? '"' + safe.replaceAll('"', '""') + '"' : safe;
}

function csvOf(table) {
  const rows = Array.from(table.tBodies[0].rows).filter((row) => !row.hidden);
  const heads = Array.from(table.tHead.rows[0].cells, (th) => th.textContent.trim());
  const pairs = heads.map((_, i) => rows.some((row) => row.cells[i].hasAttribute("data-high")));
  const lines = [heads.flatMap((head, i) => (pairs[i] ? [head + " from", head + " to"] : [head]))];
  rows.forEach((row) => {
    lines.push(Array.from(row.cells).flatMap((cell, i) =>
      pairs[i] ? [cell.getAttribute("data-value") ?? "", cell.getAttribute("data-high") ?? ""] : [plain(cell)]));
  });
  return lines.map((cells) => cells.map(csvCell).join(",") + "\n").join("");
}

function copy(text, said) {
  const told = (done) => { said.textContent = done ? "copied" : "this browser does not let pages copy"; };
  const byHand = () => {
    const area = made("textarea", text);
    said.after(area);
    area.select();
    const done = document.execCommand("copy");
    area.remove();
    told(done);
  };
  if (navigator.clipboard) navigator.clipboard.writeText(text).then(() => told(true), byHand);
  else byHand();
}

function save(text, name) {
  const link = made("a", "", { href: URL.createObjectURL(new Blob([text], { type: "text/csv" })), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}

function offerCopy(table) {
  const line = made("p", undefined, { class: "copy" });
  const button = made("button", "Copy as CSV", { type: "button" });
  const said = made("output", "", { "aria-live": "polite" });
  button.append(made("span", " of: " + (table.caption ? table.caption.textContent : "this table"), { class: "unseen" }));
  button.addEventListener("click", () => copy(csvOf(table), said));
  line.append(button, " ", said);
  const scroll = table.closest(".scroll");
  if (scroll && scroll.parentElement.classList.contains("pair")) scroll.append(line); // beside a picture: under its table
  else (scroll || table).after(line);
}

document.querySelectorAll("table.sortable").forEach((table) => {
  makeSortable(table);
  offerCopy(table);
});

/* Say so where a table is wider than the screen. */
const sized = new ResizeObserver((found) => found.forEach(({ target }) => {
  target.classList.toggle("cut", target.scrollWidth > target.clientWidth + 1);
}));
document.querySelectorAll(".scroll").forEach((area) => sized.observe(area));

/* One clip at a time; on wish as loud against each other as they were. */
const trueLevel = element("true-level");
const raisedClips = Array.from(document.querySelectorAll("audio[data-raised]"));
const leastRaised = Math.min(...raisedClips.map((clip) => Number(clip.dataset.raised)));

function volumeOf(raised) {
  return trueLevel && trueLevel.checked ? Math.min(10 ** ((leastRaised - raised) / 20), 1) : 1;
}

if (trueLevel) {
  trueLevel.addEventListener("change", () => {
    raisedClips.forEach((clip) => { clip.volume = volumeOf(Number(clip.dataset.raised)); });
  });
}
document.addEventListener("play", (event) => {
  document.querySelectorAll("audio").forEach((clip) => { if (clip !== event.target) clip.pause(); });
}, true);
