/* What the listener corrects: lines of corrections.csv, gathered to be copied or saved. */

const markForm = element("detail-mark");
const marks = element("marks");
let markRun = "", markTime = "", unsaved = false;

/* Within 50 ms of a time the reader of corrections.csv takes the impact that is there. */
function heardAt(seconds) {
  return impactRows.some((row) => impactData.runs[dataOf.get(row.id).run].name === markRun
    && Math.abs(Number(cellOf(row, "time").getAttribute("data-value")) - seconds) < 0.05);
}

/* Fields of corrections.csv are read back as they are, so nothing is put before them. */
function field(text) {
  return /[",\n\r]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text;
}

function readyMark(row, run) {
  markRun = run;
  markTime = Number(cellOf(row, "time").getAttribute("data-value")).toFixed(3);
  markForm.reset();
  markForm.querySelector("output").textContent = "";
  asMark();
}

function asMark() {
  element("detail-missed").hidden = markForm.elements.what.value !== "missed";
}

if (markForm && marks) {
  markForm.elements.what.addEventListener("change", asMark);
  markForm.addEventListener("submit", (event) => {
    event.preventDefault();
    const { what, time, note } = markForm.elements, said = markForm.querySelector("output");
    if (!what.value) {
      said.textContent = "choose what you hear first";
      return;
    }
    const station = what.selectedOptions[0].dataset.station || "", missed = what.value === "missed";
    if (missed && (time.value === "" || heardAt(Number(time.value)))) {
      said.textContent = time.value === "" ? "say when" : "an impact was heard there already";
      return;
    }
    const at = missed ? Number(time.value).toFixed(3) : markTime;
    marks.value = marks.value.trimEnd() + "\n" + [markRun, at, what.value, station, note.value].map(field).join(",") + "\n";
    said.textContent = "noted; " + (marks.value.trim().split("\n").length - 1) + " in all";
    element("marks-said").textContent = "";
    unsaved = true;
    if (!missed) openRow.classList.add("noted");
  });
  element("detail-gathered").addEventListener("click", (event) => {
    event.preventDefault();
    opened.addEventListener("close", () => marks.focus(), { once: true });
    opened.close();
  });
  window.addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });
  element("marks-copy").addEventListener("click", () => {
    copy(marks.value, element("marks-said"));
    unsaved = false;
  });
  element("marks-save").addEventListener("click", () => {
    save(marks.value, "corrections.csv");
    unsaved = false;
    element("marks-said").textContent = "saved: put it beside runs.csv and report again";
  });
}
