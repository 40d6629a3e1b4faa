/* Pictures of one impact, drawn in the page's own colours at the size they are shown. */

function colours() {
  const style = getComputedStyle(document.documentElement);
  const one = (name) => style.getPropertyValue(name).trim();
  return { ink: one("--ink"), soft: one("--soft"), faint: one("--faint"), card: one("--card"), bar: one("--c1"), line: one("--c2") };
}

function sheet(canvas, height) {
  const ratio = window.devicePixelRatio || 1;
  const width = canvas.parentElement.clientWidth || 560;
  canvas.width = Math.round(width * ratio);
  canvas.height = Math.round(height * ratio);
  canvas.style.height = height + "px";
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.font = "11px " + getComputedStyle(document.body).fontFamily;
  return { pen, left: 44, right: width - 8, top: 6, bottom: height - 20 };
}

function label(pen, text, x, y, align, colour) {
  pen.fillStyle = colour;
  pen.textAlign = align;
  pen.textBaseline = "middle";
  pen.fillText(text, x, y);
}

function hertz(f) {
  return f >= 1000 ? f / 1000 + " k" : String(f);
}

/* A time axis in ms from the onset; returns where each time (s from the clip's start) lies. */
function timeAxis(area, seconds, before, ink) {
  const at = (s) => area.left + (s / seconds) * (area.right - area.left);
  const step = seconds > 0.3 ? 0.1 : 0.05;
  for (let s = Math.ceil(-before / step - 1e-9) * step; s + before <= seconds + 1e-9; s += step) {
    label(area.pen, Math.round(s * 1000) + (Math.abs(s) < 1e-9 ? " ms" : ""), at(s + before), area.bottom + 11, "center", ink.soft);
  }
  return at;
}

function onsetLine(area, x, ink) {
  area.pen.strokeStyle = ink.line;
  area.pen.lineWidth = 1.5;
  area.pen.setLineDash([4, 3]);
  area.pen.beginPath();
  area.pen.moveTo(x, area.top);
  area.pen.lineTo(x, area.bottom);
  area.pen.stroke();
  area.pen.setLineDash([]);
}

function drawWave(canvas, samples, rate, before, raised) {
  const ink = colours(), area = sheet(canvas, 120), { pen } = area;
  const at = timeAxis(area, samples.length / rate, before, ink);
  const middle = (area.top + area.bottom) / 2, half = (area.bottom - area.top) / 2;
  const peak = samples.reduce((most, v) => Math.max(most, Math.abs(v)), 1e-9);
  pen.fillStyle = ink.ink;
  const columns = Math.max(Math.round(area.right - area.left), 1), each = samples.length / columns;
  for (let c = 0; c < columns; c++) {
    let low = Infinity, high = -Infinity;
    for (let i = Math.floor(c * each); i < Math.max((c + 1) * each, Math.floor(c * each) + 1) && i < samples.length; i++) {
      low = Math.min(low, samples[i]);
      high = Math.max(high, samples[i]);
    }
    if (high >= low) pen.fillRect(area.left + c, middle - (high / peak) * half, 1, Math.max(((high - low) / peak) * half, 1));
  }
  onsetLine(area, at(before), ink);
  const full = 20 * Math.log10(peak) - raised;
  label(pen, full.toFixed(0).replace("-", "\u2212"), area.left - 6, area.top + 6, "right", ink.soft);
  label(pen, "dB FS", area.left - 6, area.top + 20, "right", ink.soft);
  label(pen, "0", area.left - 6, middle, "right", ink.soft);
  canvas.setAttribute("aria-label", "Waveform of " + Math.round((1000 * samples.length) / rate) + " ms; its highest peak is " + full.toFixed(1) + " dB re full scale");
}

/* Power of the real spectrum of a frame (radix 2, in place). */
function powerOf(frame) {
  const n = frame.length, re = Float64Array.from(frame), im = new Float64Array(n);
  for (let i = 1, j = 0; i < n; i++) {
    let bit = n >> 1;
    for (; j & bit; bit >>= 1) j ^= bit;
    j ^= bit;
    if (i < j) [re[i], re[j]] = [re[j], re[i]];
  }
  for (let size = 2; size <= n; size <<= 1) {
    for (let k = 0; k < size / 2; k++) {
      const c = Math.cos((-2 * Math.PI * k) / size), s = Math.sin((-2 * Math.PI * k) / size);
      for (let a = k; a < n; a += size) {
        const b = a + size / 2, x = re[b] * c - im[b] * s, y = re[b] * s + im[b] * c;
        re[b] = re[a] - x;
        im[b] = im[a] - y;
        re[a] += x;
        im[a] += y;
      }
    }
  }
  return re.subarray(0, n / 2 + 1).map((v, i) => v * v + im[i] * im[i]);
}

function drawSpectrogram(canvas, samples, rate, before) {
  const ink = colours(), area = sheet(canvas, 170), { pen } = area;
  const size = rate > 30000 ? 512 : 256, hop = size / 8;
  const window = Float64Array.from({ length: size }, (_, i) => 0.5 - 0.5 * Math.cos((2 * Math.PI * i) / size));
  const frames = [];
  for (let start = -size / 2; start + size / 2 < samples.length; start += hop) {
    frames.push(powerOf(window.map((w, i) => w * (samples[start + i] || 0))));
  }
  const most = frames.reduce((m, f) => f.reduce((a, b) => Math.max(a, b), m), 1e-20);
  const lowest = 100, highest = rate / 2, rows = Math.round(area.bottom - area.top);
  const image = made("canvas");
  image.width = frames.length;
  image.height = rows;
  const brush = image.getContext("2d"), mix = (v) => Math.max(0, Math.min(1, 1 + (10 * Math.log10(v / most + 1e-12)) / 60));
  frames.forEach((power, x) => {
    for (let y = 0; y < rows; y++) {
      const f = highest * (lowest / highest) ** ((y + 0.5) / rows), bin = (f / rate) * size, low = Math.floor(bin);
      const value = power[low] + (bin - low) * ((power[low + 1] ?? power[low]) - power[low]);
      brush.globalAlpha = mix(value);
      brush.fillStyle = ink.ink;
      brush.fillRect(x, y, 1, 1);
    }
  });
  pen.fillStyle = ink.card;
  pen.fillRect(area.left, area.top, area.right - area.left, area.bottom - area.top);
  pen.drawImage(image, area.left, area.top, area.right - area.left, area.bottom - area.top);
  const at = timeAxis(area, samples.length / rate, before, ink);
  [125, 250, 500, 1000, 2000, 4000, 8000, 16000].filter((f) => f < highest).forEach((f) => {
    label(pen, hertz(f), area.left - 6, area.top + (Math.log(f / highest) / Math.log(lowest / highest)) * (area.bottom - area.top), "right", ink.soft);
  });
  onsetLine(area, at(before), ink);
  canvas.setAttribute("aria-label", "Spectrogram of the clip, " + lowest + " Hz to " + hertz(highest) + "Hz");
}

function drawBands(canvas, tenths, usual, bandsHz) {
  const ink = colours(), area = sheet(canvas, 170), { pen } = area;
  const known = [...tenths, ...(usual || [])].filter((v) => v !== null).map((v) => v / 10);
  if (!known.length) {
    label(pen, "no band is measurable", area.left, (area.top + area.bottom) / 2, "left", ink.soft);
    canvas.setAttribute("aria-label", "No band is measurable");
    return;
  }
  const highest = Math.ceil((Math.max(...known) + 1) / 10) * 10;
  const lowest = Math.max(Math.floor(Math.min(...known) / 10) * 10, highest - 80);
  const y = (v) => area.top + ((highest - Math.max(v, lowest)) / (highest - lowest)) * (area.bottom - area.top);
  const wide = (area.right - area.left) / tenths.length;
  for (let level = lowest; level <= highest; level += 20) {
    pen.fillStyle = ink.faint;
    pen.fillRect(area.left, y(level), area.right - area.left, 1);
    label(pen, String(level).replace("-", "\u2212"), area.left - 6, y(level), "right", ink.soft);
  }
  tenths.forEach((v, i) => {
    const x = area.left + i * wide;
    pen.fillStyle = ink.bar;
    if (v !== null) pen.fillRect(x + 1, y(v / 10), wide - 2, area.bottom - y(v / 10));
    if (usual && usual[i] !== null) {
      pen.fillStyle = ink.line;
      pen.fillRect(x, y(usual[i] / 10) - 1.25, wide, 2.5);
    }
    if (i % 6 === 4) label(pen, hertz(bandsHz[i]), x + wide / 2, area.bottom + 11, "center", ink.soft);
  });
  const loudest = tenths.indexOf(Math.max(...tenths.map((v) => v ?? -1e9)));
  canvas.setAttribute("aria-label", "Band levels; the strongest band is " + bandsHz[loudest] + " Hz with " + tenths[loudest] / 10 + " dB");
}
