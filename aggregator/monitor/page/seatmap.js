// The seat map: one pass over precomputed pixels, each of which knows its seat.
import { BYTES } from "./ramp.js";

const MOST_PIXELS = 3_000_000; // of the canvas: enough for a sharp picture, little enough to redraw four times a second
const LARGEST_RADIUS = 15; // CSS pixels: fifty seats need not fill the screen
const LARGE_HOUSE = 5000; // seats
const EDGE = 10; // CSS pixels round the hall
const STAGE = 26; // CSS pixels for the stage's name
const GREY = [124, 127, 136];
const INK = [233, 230, 223];

const [DISC, RING, DOT, CROSS, BAR] = [0, 1, 2, 3, 4];
//             absent settling resting following held  fading lost  no contact muted
const SHAPES = [DOT, DISC, DISC, DISC, RING, RING, RING, CROSS, BAR];
const LEVEL_SHOWN = [false, true, true, true, true, true, false, false, false];

export class SeatMap {
  constructor(canvas, ring) {
    this.canvas = canvas;
    this.ring = ring;
    this.context = canvas.getContext("2d");
    this.smooth = null; // low-passed levels, so that no seat flickers
  }

  load(plan) {
    this.plan = plan;
    this.seats = plan.x.length;
    this.smooth = null;
    this.lay();
  }

  // Place the seats for the canvas's width: the hall's proportions, squeezed in depth where it would not fit a screen.
  lay() {
    const { x, y } = this.plan;
    const width = Math.max(this.canvas.parentElement.clientWidth, 200); // 0 while the page is not laid out
    const [x0, x1] = extent(x);
    const [y0, y1] = extent(y);
    const acrossM = Math.max(x1 - x0, 1);
    const deepM = Math.max(y1 - y0, 1);
    let scale = (width - 2 * EDGE - 2 * LARGEST_RADIUS) / acrossM;
    const tall = this.seats > LARGE_HOUSE ? 0.85 : 0.56; // of the window: a large house needs the room
    const highest = Math.max(300, window.innerHeight * tall) - STAGE - 2 * EDGE;
    let scaleY = Math.min(scale, highest / deepM);
    scale = Math.min(scale, scaleY * 2.2);
    let pitch = nearest(x, y, scale, scaleY);
    const shrink = Math.min(1, (2.3 * LARGEST_RADIUS) / pitch);
    [scale, scaleY, pitch] = [scale * shrink, scaleY * shrink, pitch * shrink];
    const height = deepM * scaleY + STAGE + 2 * EDGE + pitch;
    const ratio = Math.min(window.devicePixelRatio || 1, 2, Math.sqrt(MOST_PIXELS / (width * height)));
    Object.assign(this, { ratio, width, height, radius: Math.max(1.5, pitch * 0.46 * ratio) });
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    this.canvas.style.height = `${height}px`;
    const left = (width - acrossM * scale) / 2;
    this.px = Float32Array.from(x, (v) => (left + (v - x0) * scale) * ratio);
    this.py = Float32Array.from(y, (v) => (STAGE + EDGE + pitch / 2 + (v - y0) * scaleY) * ratio);
    this.raster();
  }

  // For each seat its pixels, and for each pixel its distance from the seat's centre and its seat.
  raster() {
    const { width: w, height: h } = this.canvas;
    const reach = Math.ceil(this.radius);
    const side = 2 * reach + 1;
    const most = this.seats * side * side;
    const owner = new Int32Array(w * h).fill(-1);
    const [pixel, dx, dy] = [new Uint32Array(most), new Int8Array(most), new Int8Array(most)];
    const start = new Uint32Array(this.seats + 1);
    let n = 0;
    for (let s = 0; s < this.seats; s++) {
      const [cx, cy] = [Math.round(this.px[s]), Math.round(this.py[s])];
      for (let j = Math.max(-reach, -cy); j <= Math.min(reach, h - 1 - cy); j++) {
        for (let i = Math.max(-reach, -cx); i <= Math.min(reach, w - 1 - cx); i++) {
          const at = (cy + j) * w + cx + i;
          if (owner[at] >= 0) continue;
          owner[at] = s;
          pixel[n] = at;
          dx[n] = i;
          dy[n++] = j;
        }
      }
      start[s + 1] = n;
    }
    this.image = new ImageData(w, h);
    Object.assign(this, { owner, pixel: pixel.slice(0, n), dx: dx.slice(0, n), dy: dy.slice(0, n), start });
  }

  // Levels move towards their new values by `share` (0..1) a call.
  update({ level, confidence, state }, share) {
    if (level.length !== this.seats) return;
    if (!this.smooth) this.smooth = Float32Array.from(level);
    for (let s = 0; s < this.seats; s++) this.smooth[s] += share * (level[s] - this.smooth[s]);
    Object.assign(this, { level, confidence, state });
  }

  draw() {
    if (!this.state) return;
    const { pixel, dx, dy, start, radius, image } = this;
    const out = image.data;
    for (let s = 0; s < this.seats; s++) {
      const state = this.state[s];
      const shape = SHAPES[state] ?? CROSS;
      const size = shape === CROSS || shape === BAR ? 0.75 : 0.5 + 0.5 * (this.confidence[s] / 255);
      const r = shape === DOT ? Math.max(0.8, radius * 0.2) : radius * size;
      const stroke = Math.max(1, radius * 0.22);
      const c = 3 * Math.round(this.smooth[s]);
      const [red, green, blue] = LEVEL_SHOWN[state] ? BYTES.subarray(c, c + 3) : shape === CROSS ? INK : GREY;
      for (let i = start[s]; i < start[s + 1]; i++) {
        const o = 4 * pixel[i];
        out[o] = red;
        out[o + 1] = green;
        out[o + 2] = blue;
        out[o + 3] = 255 * cover(shape, dx[i], dy[i], r, stroke);
      }
    }
    this.context.putImageData(image, 0, 0);
    this.names();
  }

  names() {
    const { context, ratio } = this;
    context.save();
    context.scale(ratio, ratio);
    context.fillStyle = "#9c9a93";
    context.font = "italic 15px Georgia, 'Times New Roman', serif";
    context.textAlign = "center";
    context.fillText("stage", this.width / 2, 17);
    context.strokeStyle = "#4a4d55";
    context.beginPath();
    const half = Math.min(180, this.width / 3);
    context.moveTo(this.width / 2 - half, 24);
    context.quadraticCurveTo(this.width / 2, 32, this.width / 2 + half, 24);
    context.stroke();
    context.restore();
  }

  // The seat at a place of the page, or -1: the pixel's own, else the nearest within a seat's pitch.
  seatAt(clientX, clientY) {
    const box = this.canvas.getBoundingClientRect();
    const [x, y] = [Math.round((clientX - box.left) * this.ratio), Math.round((clientY - box.top) * this.ratio)];
    if (x < 0 || y < 0 || x >= this.canvas.width || y >= this.canvas.height) return -1;
    const own = this.owner[y * this.canvas.width + x];
    if (own >= 0) return own;
    const [seat, distance] = this.closest(x, y, () => true);
    return distance < 9 * this.radius * this.radius ? seat : -1;
  }

  // The next seat in a direction (dx, dy of -1, 0, 1): the nearest in the quadrant that it opens.
  next(seat, toX, toY) {
    const [x, y] = [this.px[seat], this.py[seat]];
    const ahead = (s) => {
      const [ex, ey] = [this.px[s] - x, this.py[s] - y];
      return toX ? ex * toX > 0.5 && Math.abs(ey) <= Math.abs(ex) * 0.5 : ey * toY > 0.5 && Math.abs(ex) <= Math.abs(ey);
    };
    const [found] = this.closest(x, y, ahead);
    return found < 0 ? seat : found;
  }

  closest(x, y, allowed) {
    let [best, least] = [-1, Infinity];
    for (let s = 0; s < this.seats; s++) {
      const d = (this.px[s] - x) ** 2 + (this.py[s] - y) ** 2;
      if (d < least && allowed(s)) [best, least] = [s, d];
    }
    return [best, least];
  }

  mark(seat) {
    this.ring.hidden = seat < 0;
    if (seat < 0) return;
    const r = Math.max(this.radius / this.ratio + 3, 8);
    Object.assign(this.ring.style, {
      left: `${this.px[seat] / this.ratio - r}px`,
      top: `${this.py[seat] / this.ratio - r}px`,
      width: `${2 * r}px`,
      height: `${2 * r}px`,
    });
  }
}

// How much of a pixel the shape covers, 0..1.
function cover(shape, dx, dy, r, stroke) {
  if (shape === CROSS || shape === BAR) {
    if (Math.max(Math.abs(dx), Math.abs(dy)) > r) return 0;
    const off = shape === BAR ? Math.abs(dy) : Math.min(Math.abs(dx - dy), Math.abs(dx + dy)) * Math.SQRT1_2;
    return clamp(stroke / 2 - off + 0.5);
  }
  const d = Math.sqrt(dx * dx + dy * dy);
  const inside = clamp(r - d + 0.5);
  return shape === RING ? Math.min(inside, clamp(d - (r - stroke) + 0.5)) : inside;
}

function clamp(v) {
  return v < 0 ? 0 : v > 1 ? 1 : v;
}

function extent(values) {
  let [low, high] = [Infinity, -Infinity];
  for (const v of values) {
    if (v < low) low = v;
    if (v > high) high = v;
  }
  return [low, high];
}

// The distance between neighbours in CSS pixels: the fifth part's quantile over some seats of each one's nearest.
function nearest(x, y, scale, scaleY) {
  const step = Math.max(1, Math.floor(x.length / 100));
  const found = [];
  for (let a = 0; a < x.length; a += step) {
    let least = Infinity;
    for (let b = 0; b < x.length; b++) {
      if (b !== a) least = Math.min(least, ((x[a] - x[b]) * scale) ** 2 + ((y[a] - y[b]) * scaleY) ** 2);
    }
    found.push(Math.sqrt(least));
  }
  found.sort((p, q) => p - q);
  const pitch = found[Math.floor(found.length / 5)];
  return Number.isFinite(pitch) && pitch > 0 ? pitch : 2 * LARGEST_RADIUS;
}
