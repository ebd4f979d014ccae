// The house over the last minutes: line, band, part changes and markers.
import { gradient } from "./ramp.js";

const KEPT_MS = 600_000;
const GAP_MS = 1500; // a longer hole is drawn as a hole
const STEPS_S = [15, 60, 120, 300]; // between the times written below
const LABEL_PIXELS = 84;
const INK = "#e9e6df";
const FAINT = "#9c9a93";
const RULE = "#2d3037";
const FONT = "14px system-ui, sans-serif";

export class Timeline {
  constructor(canvas) {
    this.canvas = canvas;
    this.rows = []; // [cut_ms, arousal, confidence, low, high]
    this.labels = []; // [cut_ms, kind, text]
    this.minutes = 3;
  }

  load(rows, labels) {
    this.rows = rows;
    this.labels = labels;
  }

  add(row, labels) {
    const last = this.rows.at(-1);
    const known = new Set(this.labels.map(String));
    this.labels.push(...labels.filter((label) => !known.has(String(label))));
    if (last && row[0] <= last[0]) return;
    this.rows.push(row);
    const oldest = row[0] - KEPT_MS;
    while (this.rows[0][0] < oldest) this.rows.shift();
  }

  draw() {
    const { width, height, context } = fitted(this.canvas);
    const end = this.rows.at(-1)?.[0] ?? 0;
    const span = this.minutes * 60_000;
    const box = { left: 44, right: width - 12, top: 26, bottom: height - 44 };
    const x = (ms) => box.right - ((end - ms) / span) * (box.right - box.left);
    const y = (v) => box.bottom - v * (box.bottom - box.top);
    context.clearRect(0, 0, width, height);
    context.font = FONT;
    this.axes(context, box, x, y, end, span);
    if (!this.rows.length) return;
    context.save();
    context.beginPath();
    context.rect(box.left, box.top, box.right - box.left, box.bottom - box.top);
    context.clip();
    const first = Math.max(0, this.rows.findIndex((r) => r[0] >= end - span) - 1);
    for (const run of runs(this.rows.slice(first))) this.run(context, run, x, y, box);
    context.restore();
    this.notes(context, box, x, end - span);
  }

  axes(context, box, x, y, end, span) {
    context.textBaseline = "middle";
    context.textAlign = "right";
    for (const v of [0, 0.25, 0.5, 0.75, 1]) {
      context.strokeStyle = v === 0.5 ? "#6d6f76" : RULE;
      line(context, box.left, y(v), box.right, y(v));
      context.fillStyle = FAINT;
      if (v === 0.5) context.fillText("rest", box.left - 6, y(v));
      else if (v === 0 || v === 1) context.fillText(String(v), box.left - 6, y(v));
    }
    context.textBaseline = "alphabetic";
    const room = ((box.right - box.left) / span) * 1000; // pixels a second
    const step = 1000 * (STEPS_S.find((s) => s * room >= LABEL_PIXELS) ?? STEPS_S.at(-1));
    for (let back = 0; back <= span; back += step) {
      const at = x(end - back);
      context.textAlign = back === 0 ? "right" : back === span ? "left" : "center";
      const text = step < 60_000 && back % 60_000 ? `−${back / 1000} s` : `−${back / 60_000} min`;
      context.fillText(back === 0 ? "now" : text, at, box.bottom + 36);
    }
  }

  run(context, rows, x, y, box) {
    const ink = gradient(context, 0, box.bottom, 0, box.top);
    context.fillStyle = ink;
    context.globalAlpha = 0.28;
    context.beginPath();
    rows.forEach((r) => context.lineTo(x(r[0]), y(r[4])));
    for (let i = rows.length - 1; i >= 0; i--) context.lineTo(x(rows[i][0]), y(rows[i][3]));
    context.fill();
    context.globalAlpha = 1;
    context.strokeStyle = ink;
    context.lineWidth = 2.5;
    context.lineJoin = "round";
    context.beginPath();
    rows.forEach((r) => context.lineTo(x(r[0]), y(r[1])));
    context.stroke();
    context.lineWidth = 1;
  }

  // Parts stand above the line, markers below it; where two names would meet, the later one is written.
  notes(context, box, x, start) {
    const next = { part: Infinity, marker: Infinity };
    context.textAlign = "left";
    for (const [ms, kind, text] of this.labels.toReversed()) {
      if (ms < start && !(kind === "part" && this.isLastBefore(ms, start))) continue;
      const at = Math.max(x(ms), box.left);
      context.strokeStyle = kind === "part" ? FAINT : INK;
      context.setLineDash(kind === "part" ? [] : [3, 4]);
      if (ms >= start) line(context, at, box.top - (kind === "part" ? 14 : 0), at, box.bottom + (kind === "part" ? 0 : 16));
      context.setLineDash([]);
      context.fillStyle = kind === "part" ? FAINT : INK;
      const wide = context.measureText(text).width;
      const left = Math.min(at + 5, box.right - wide);
      if (left + wide + 8 > next[kind]) continue;
      context.fillText(text, left, kind === "part" ? box.top - 6 : box.bottom + 16);
      next[kind] = left;
    }
  }

  isLastBefore(ms, start) {
    const before = this.labels.filter((l) => l[1] === "part" && l[0] < start);
    return before.at(-1)?.[0] === ms;
  }
}

// Stretches without a hole and with somebody counted.
function runs(rows) {
  const made = [];
  let open = null;
  let last = -Infinity;
  for (const row of rows) {
    if (row[2] <= 0) {
      open = null;
      continue;
    }
    if (!open || row[0] - last > GAP_MS) made.push((open = []));
    open.push(row);
    last = row[0];
  }
  return made;
}

function line(context, x0, y0, x1, y1) {
  context.beginPath();
  context.moveTo(Math.round(x0) + 0.5, Math.round(y0) + 0.5);
  context.lineTo(Math.round(x1) + 0.5, Math.round(y1) + 0.5);
  context.stroke();
}

// Match the canvas's pixels to the screen's; returns its size in CSS pixels.
function fitted(canvas) {
  const { width, height } = canvas.getBoundingClientRect();
  const ratio = window.devicePixelRatio || 1;
  const [w, h] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width !== w || canvas.height !== h) [canvas.width, canvas.height] = [w, h];
  const context = canvas.getContext("2d");
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  return { width, height, context };
}
