/* What the listener corrects: lines of corrections.csv, gathered to be copied or saved. */

const markForm = element("detail-mark");
const marks = element("marks");
let markRun = "", markTime = "";

/* Fields of corrections.csv are read back as they are, so nothing is put before them. */
function field(text) {
  return /[",\n\r]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text;
}

function readyMark(row, run) {
  markRun = run;
  markTime = Number(cellOf(row, "time").getAttribute("data-value")).toFixed(3);
  markForm.reset();
  markForm.elements.time.value = markTime;
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
    const station = what.selectedOptions[0].dataset.station || "";
    const at = what.value === "missed" ? Number(time.value).toFixed(3) : markTime;
    marks.value = marks.value.trimEnd() + "\n" + [markRun, at, what.value, station, note.value].map(field).join(",") + "\n";
    said.textContent = "noted";
    element("marks-said").textContent = "";
  });
  element("detail-gathered").addEventListener("click", (event) => {
    event.preventDefault();
    opened.addEventListener("close", () => marks.focus(), { once: true });
    opened.close();
  });
  element("marks-copy").addEventListener("click", () => copy(marks.value, element("marks-said")));
  element("marks-save").addEventListener("click", () => {
    save(marks.value, "corrections.csv");
    element("marks-said").textContent = "saved: put it beside runs.csv and report again";
  });
}
