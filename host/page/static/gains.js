// Gain fields with their range and what they were; the predicted step before and after.

export function gainFields(box, fields, gains, changed) {
  box.replaceChildren(...fields.map((one) => {
    const row = document.createElement("label");
    row.className = "gain"; row.title = one.meaning;
    const name = document.createElement("span"), input = document.createElement("input"), was = document.createElement("span");
    const angle = one.unit === "rad", factor = angle ? 180 / Math.PI : 1;  // people read degrees
    const unit = one.unit === "1" ? "" : `, ${angle ? "deg" : one.unit}`;
    name.textContent = one.name.replace(/_(rad|V|s)$/, "").replaceAll("_", " ") + unit;
    input.type = "number"; input.step = "any"; input.min = one.low * factor; input.max = one.high * factor;
    const value = Number((gains[one.name] * factor).toPrecision(5));
    input.value = value; input.dataset.name = one.name; input.dataset.was = value; input.dataset.factor = factor;
    was.className = "quiet"; was.textContent = `was ${value}`;
    input.addEventListener("change", changed);  // on release, never while typing
    row.append(name, input, was);
    return row;
  }));
}

export function readGains(box) {
  const gains = {};
  let changed = false, wrong = "";
  for (const input of box.querySelectorAll("input")) {
    const value = input.valueAsNumber;
    if (Number.isNaN(value)) { wrong = `${input.dataset.name}: must be a number`; continue; }
    if (value !== Number(input.dataset.was)) { gains[input.dataset.name] = value / Number(input.dataset.factor); changed = true; }
  }
  return { gains, changed, wrong };
}

export function drawPreview(canvas, found, changed) {
  const scale = window.devicePixelRatio || 1;
  canvas.width = canvas.clientWidth * scale; canvas.height = canvas.clientHeight * scale;
  const g = canvas.getContext("2d"), w = canvas.width, h = canvas.height;
  g.clearRect(0, 0, w, h);
  const all = [...found.now.angle_rad, ...found.then.angle_rad];
  const low = Math.min(...all), high = Math.max(...all), room = 0.12 * (high - low) || 0.1;
  const line = (one, color, dash, width) => {
    const end = one.time_s[one.time_s.length - 1];
    g.strokeStyle = color; g.lineWidth = width * scale; g.setLineDash(dash.map((d) => d * scale)); g.beginPath();
    one.angle_rad.forEach((v, k) => g.lineTo(one.time_s[k] / end * w, h - (v - low + room) / (high - low + 2 * room) * h));
    g.stroke(); g.setLineDash([]);
  };
  line(found.now, "#47525d", [5, 4], 1.6);
  if (changed) line(found.then, "#0060a0", [], 2);
  g.fillStyle = "#47525d"; g.font = `${12 * scale}px system-ui, sans-serif`;
  g.fillText("predicted step: dashed now" + (changed ? ", blue then" : ""), 6 * scale, h - 6 * scale);
  const words = (one) => `Ms ${one.ms?.toFixed(2) ?? "unstable"}, phase margin ${one.phase_margin_deg?.toFixed(0) ?? "-"} deg, ` +
    (one.beyond ? `${one.beyond}, ` : "") + (one.fault !== "none" ? `trips: ${one.fault}` : one.settling_s === null ? "does not settle" : `settles in ${(1000 * one.settling_s).toFixed(0)} ms`);
  return changed ? `Now: ${words(found.now)}. Then: ${words(found.then)}.` : `Now: ${words(found.now)}.`;
}
