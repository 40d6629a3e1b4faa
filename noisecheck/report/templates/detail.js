/* The table of impacts: filters, walking by keyboard, and one impact opened. */

const impactTable = element("impacts-table");
const impactRows = impactTable ? Array.from(impactTable.tBodies[0].rows) : [];
const impactData = impactTable ? JSON.parse(element("impact-data").textContent) : null;
const dataOf = new Map(impactData ? impactData.rows.map((one) => [one.id, one]) : []);
const heads = impactTable ? Array.from(impactTable.tHead.rows[0].cells, (th) => th.textContent.trim()) : [];
const opened = element("detail");
let openRow = null;

function cellOf(row, head) {
  return row.cells[heads.findIndex((h) => h.startsWith(head))];
}

function shownRows() {
  return Array.from(impactTable.tBodies[0].rows).filter((row) => !row.hidden);
}

function wireFilters() {
  const inputs = ["by-run", "by-station", "by-kind", "from-db", "to-db", "find"].map(element);
  const [run, station, kind, from, to, find] = inputs;
  const facts = new Map(impactRows.map((row) => [row, {
    run: cellOf(row, "run").textContent,
    station: cellOf(row, "station").textContent,
    level: numberIn(cellOf(row, "LAE")),
    text: row.textContent.toLowerCase(),
    rebound: Number(row.dataset.rebound),
  }]));
  const kinds = { odd: (row) => row.classList.contains("odd"), first: (_, fact) => fact.rebound <= 0, rebound: (_, fact) => fact.rebound > 0 };
  const show = () => {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    const low = from.value === "" ? -Infinity : Number(from.value), high = to.value === "" ? Infinity : Number(to.value);
    const bounded = from.value !== "" || to.value !== "";
    let count = 0;
    facts.forEach((fact, row) => {
      const keep = (!run.value || fact.run === run.value)
        && (!station || !station.value || fact.station === (station.value === "-" ? "" : station.value))
        && (!kind.value || kinds[kind.value](row, fact))
        && (!bounded || (fact.level !== null && fact.level >= low && fact.level <= high))
        && words.every((word) => fact.text.includes(word));
      row.hidden = !keep;
      if (keep) count += 1;
    });
    element("count").textContent = count + " of " + impactRows.length + " shown";
    reachable(shownRows()[0]);
  };
  inputs.filter(Boolean).forEach((input) => input.addEventListener("input", show));
  return () => {
    inputs.filter(Boolean).forEach((input) => { input.value = ""; });
    show();
  };
}

/* One row at a time can be reached by Tab; arrow keys go on from there. */
function reachable(row) {
  if (!row) return;
  impactTable.querySelectorAll("tbody a[tabindex='0']").forEach((a) => { a.tabIndex = -1; });
  row.querySelector("a").tabIndex = 0;
}

function walk(event) {
  const row = event.target.closest("tr");
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (!step || !event.target.matches("tbody a")) return;
  const rows = shownRows(), next = rows[rows.indexOf(row) + step];
  if (next) {
    event.preventDefault();
    reachable(next);
    next.querySelector("a").focus();
    next.scrollIntoView({ block: "nearest" });
  }
}

function fillMeasures(row, data) {
  const list = element("detail-measures"), put = (name, value) => {
    if (value && value !== "\u2013") list.append(made("dt", name), made("dd", value));
  };
  list.replaceChildren();
  put("recording", impactData.runs[data.run].file);
  ["time", "station", "LAE", "LZpeak", "margin", "decay", "centroid"].forEach((head) => {
    const [name, unit] = heads.find((h) => h.startsWith(head)).replace(/^L(AE|Zpeak)/, "L_$1").split(", ");
    const value = cellOf(row, head).textContent.trim();
    put(name, value && value !== "\u2013" && unit ? value + " " + unit : value);
  });
  impactData.more.forEach((name, i) => put(name, data.more[i]));
  const flags = cellOf(row, "flags").textContent.split(", ").filter(Boolean);
  element("detail-flags").replaceChildren(...flags.map((flag) => {
    const line = made("p", "", { class: "note" });
    line.append(made("b", flag), ": " + (impactData.flags[flag] || ""));
    return line;
  }));
}

async function fillSound(row, data) {
  const audio = element("detail-sound").querySelector("audio"), said = element("detail-sound").querySelector("span");
  const wave = element("detail-wave"), spectrogram = element("detail-spectrogram");
  const elsewhere = row.dataset.heard && element(row.dataset.heard).querySelector("audio");
  const source = data.clip || (elsewhere && elsewhere.src);
  const pictures = [wave.parentElement, spectrogram.parentElement];
  pictures.forEach((figure) => { figure.hidden = !source; });
  audio.hidden = !source;
  if (!source) {
    audio.removeAttribute("src");
    said.textContent = "This impact has no clip on the page; it is in the recording at the time below.";
    return;
  }
  audio.src = source;
  audio.volume = volumeOf(data.raised);
  said.textContent = "raised " + data.raised.toFixed(1).replace("-", "\u2212") + " dB";
  const bytes = Uint8Array.from(atob(source.split(",")[1]), (c) => c.charCodeAt(0));
  try {
    const sound = await new OfflineAudioContext(1, 1, data.rate).decodeAudioData(bytes.buffer);
    if (openRow !== row) return;
    const samples = sound.getChannelData(0);
    drawWave(wave, samples, data.rate, data.before, data.raised);
    drawSpectrogram(spectrogram, samples, data.rate, data.before);
  } catch {
    pictures.forEach((figure) => { figure.hidden = true; });
    said.textContent += "; this browser cannot take the clip apart for a picture";
  }
}

function open(row) {
  const data = dataOf.get(row.id);
  if (openRow) openRow.classList.remove("open");
  openRow = row;
  row.classList.add("open");
  reachable(row);
  const odd = cellOf(row, "odd").textContent;
  element("detail-h").textContent = "Impact " + cellOf(row, "no.").textContent + " of run " + cellOf(row, "run").textContent;
  element("detail-odd").textContent = odd ? "Odd: " + odd + "." : "";
  fillMeasures(row, data);
  if (!opened.open) opened.showModal();
  const later = Number(row.dataset.rebound) > 0, usual = impactData.runs[data.run].usual[data.code + (later ? "r" : "")];
  element("detail-usual").textContent = later ? "rebounds" : "first contacts";
  drawBands(element("detail-bands"), data.bands, usual, impactData.bands_hz);
  fillSound(row, data);
  const rows = shownRows(), at = rows.indexOf(row);
  element("detail-back").disabled = at <= 0;
  element("detail-on").disabled = at < 0 || at >= rows.length - 1;
  readyMark(row, impactData.runs[data.run].name);
  history.replaceState(null, "", "#" + row.id);
}

function turn(step) {
  const rows = shownRows(), next = rows[rows.indexOf(openRow) + step];
  if (next) open(next);
}

function openLinked(clearFilters) {
  const row = element(decodeURIComponent(location.hash.slice(1)));
  if (!row || !impactRows.includes(row)) return;
  if (row.hidden) clearFilters();
  impactTable.closest("details").open = true;
  row.scrollIntoView({ block: "center" });
  open(row);
}

if (impactTable) {
  impactTable.querySelectorAll("tbody a").forEach((a) => { a.tabIndex = -1; });
  reachable(impactRows[0]);
  const clearFilters = wireFilters();
  impactTable.tBodies[0].addEventListener("click", (event) => {
    const row = event.target.closest("tr");
    if (row && !String(getSelection())) {
      event.preventDefault();
      open(row);
    }
  });
  impactTable.tBodies[0].addEventListener("keydown", walk);
  element("detail-back").addEventListener("click", () => turn(-1));
  element("detail-on").addEventListener("click", () => turn(1));
  element("detail-shut").addEventListener("click", () => opened.close());
  opened.addEventListener("close", () => {
    opened.querySelector("audio").pause();
    history.replaceState(null, "", location.pathname + location.search);
    openRow.classList.remove("open");
    openRow.scrollIntoView({ block: "nearest" });
    openRow.querySelector("a").focus({ preventScroll: true });
  });
  /* On the document: following a link to an impact takes the focus out of the dialog. */
  document.addEventListener("keydown", (event) => {
    if (!opened.open || event.target.matches("input, select, audio") || event.ctrlKey || event.altKey || event.metaKey) return;
    const audio = opened.querySelector("audio");
    if (event.key === "ArrowLeft") turn(-1);
    else if (event.key === "ArrowRight") turn(1);
    else if (event.key.toLowerCase() === "p" && !audio.hidden) audio.paused ? audio.play() : audio.pause();
    else return;
    event.preventDefault();
  });
  window.addEventListener("hashchange", () => openLinked(clearFilters));
  openLinked(clearFilters);
}
