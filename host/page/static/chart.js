// Strip charts: ring buffers of samples, drawn as the least and greatest of each pixel column.
// Columns are pinned to tick numbers, so noise does not shimmer as the chart moves.

export class Ring {
  constructor(size, fields) {
    this.size = size; this.fields = fields; this.count = 0; this.at = 0;
    this.ticks = new Float64Array(size);
    this.data = Array.from({ length: fields }, () => new Float32Array(size));
  }
  put(tick, values, from) {
    this.ticks[this.at] = tick;
    for (let f = 0; f < this.fields; f++) this.data[f][this.at] = values[from + f];
    this.at = (this.at + 1) % this.size;
    if (this.count < this.size) this.count++;
  }
  index(back) { return (this.at - 1 - back + 2 * this.size) % this.size; }
  last(field) { return this.count ? this.data[field][this.index(0)] : NaN; }
  lastTick() { return this.count ? this.ticks[this.index(0)] : 0; }
  *since(tick) {
    for (let back = 0; back < this.count; back++) {
      const k = this.index(back);
      if (this.ticks[k] < tick) return;
      yield k;
    }
  }
}

export class Chart {
  constructor(canvas, lines) {
    this.canvas = canvas; this.lines = lines; this.low = -1; this.high = 1;
    this.levels = []; this.shades = []; this.bands = []; this.marks = []; this.selected = null;
  }
  range(low, high) { this.low = low; this.high = high; }
  fit() {
    const scale = window.devicePixelRatio || 1;
    const w = Math.max(1, Math.round(this.canvas.clientWidth * scale));
    const h = Math.max(1, Math.round(this.canvas.clientHeight * scale));
    if (this.canvas.width !== w || this.canvas.height !== h) { this.canvas.width = w; this.canvas.height = h; }
    return [w, h, scale];
  }
  draw(ring, end, ticks, tickS) {
    const [w, h, scale] = this.fit();
    const g = this.canvas.getContext("2d");
    const per = ticks / w;                       // ticks in a column
    const last = Math.floor(end / per);          // columns are numbered from tick zero
    const y = (v) => h - (v - this.low) / (this.high - this.low) * h;
    const x = (tick) => w - 1 - (last - tick / per);
    this.x = x; this.toTick = (px) => (last - (w - 1 - px * scale)) * per;
    g.clearRect(0, 0, w, h);
    for (const [low, high, color] of this.shades) { g.fillStyle = color; g.fillRect(0, y(high), w, y(low) - y(high)); }
    for (const band of this.bands) this.drawBand(g, band, x, y, tickS);
    this.grid(g, w, h, y, x, end, ticks, tickS, scale);
    for (const [level, color, dash] of this.levels) {
      g.strokeStyle = color; g.lineWidth = 1.5 * scale; g.setLineDash(dash); g.beginPath();
      g.moveTo(0, y(level)); g.lineTo(w, y(level)); g.stroke(); g.setLineDash([]);
    }
    for (const line of this.lines) this.drawLine(g, ring, line, end, ticks, per, last, w, y, scale);
    let written = -Infinity;  // where the last mark's words end: a word that would lie on them is left out
    for (const [tick, text, color] of this.marks) {
      const at = x(tick);
      if (at < 0) continue;
      g.strokeStyle = color; g.lineWidth = scale; g.beginPath(); g.moveTo(at, 0); g.lineTo(at, h); g.stroke();
      g.fillStyle = color; g.font = `${11 * scale}px system-ui, sans-serif`;
      if (at < written) continue;
      g.fillText(text, at + 3 * scale, 12 * scale);
      written = at + 6 * scale + g.measureText(text).width;
    }
    if (this.selected) {
      const [a, b] = this.selected.map(x);
      g.fillStyle = "rgba(0, 96, 160, 0.15)"; g.fillRect(Math.min(a, b), 0, Math.abs(b - a), h);
    }
  }
  grid(g, w, h, y, x, end, ticks, tickS, scale) {
    g.strokeStyle = "#dde3e8"; g.fillStyle = "#47525d"; g.lineWidth = scale;
    g.font = `${11 * scale}px system-ui, sans-serif`;
    const span = this.high - this.low;
    const step = [0.5, 1, 2, 5, 10, 20, 30, 60, 90, 180].find((s) => span / s <= 6) || span / 4;
    for (let v = Math.ceil(this.low / step) * step; v <= this.high; v += step) {
      g.beginPath(); g.moveTo(0, y(v)); g.lineTo(w, y(v)); g.stroke();
      g.fillText(String(Math.round(v * 100) / 100), 3 * scale, y(v) - 2 * scale);
    }
    const second = 1 / tickS;
    for (let t = Math.ceil((end - ticks) / second) * second; t <= end; t += second) {
      g.beginPath(); g.moveTo(x(t), 0); g.lineTo(x(t), h); g.stroke();
    }
  }
  drawBand(g, band, x, y, tickS) {
    const per = band.step_s / tickS;
    g.fillStyle = "rgba(86, 180, 233, 0.30)"; g.beginPath();
    band.low.forEach((v, k) => g.lineTo(x(band.tick + k * per), y(v * 57.29578)));
    for (let k = band.high.length - 1; k >= 0; k--) g.lineTo(x(band.tick + k * per), y(band.high[k] * 57.29578));
    g.closePath(); g.fill();
    g.strokeStyle = "rgba(86, 180, 233, 0.55)"; g.lineWidth = 5; g.lineJoin = "round"; g.stroke();
  }
  drawLine(g, ring, line, end, ticks, per, last, w, y, scale) {
    const low = new Float32Array(w).fill(Infinity), high = new Float32Array(w).fill(-Infinity);
    const data = ring.data[line.field];
    for (const k of ring.since(end - ticks)) {
      const tick = ring.ticks[k];
      if (tick > end) continue;
      const column = w - 1 - (last - Math.floor(tick / per));
      if (column < 0 || column >= w) continue;
      const v = data[k] * line.factor;
      if (line.only && !line.only(ring, k)) continue;
      if (v < low[column]) low[column] = v;
      if (v > high[column]) high[column] = v;
    }
    g.strokeStyle = line.color; g.lineWidth = line.width * scale; g.setLineDash((line.dash || []).map((d) => d * scale));
    g.lineJoin = "round"; g.beginPath();
    let before = -10;
    for (let c = 0; c < w; c++) {
      if (low[c] === Infinity) continue;
      if (c - before > Math.max(4, 3 / per)) g.moveTo(c, y(low[c]));  // a gap stays open
      else g.lineTo(c, y(low[c]));
      if (high[c] !== low[c]) g.lineTo(c, y(high[c]));
      before = c;
    }
    g.stroke(); g.setLineDash([]);
  }
}
