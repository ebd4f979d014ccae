// Nine steps that stay apart for colour-blind eyes and all show on a dark page (at least 3.1:1 on #101114).
export const STEPS = ["#2962b0", "#4476af", "#5f89ad", "#799baa", "#93ada5", "#aebe9e", "#cad095", "#e5e189", "#fff278"];

const rgb = STEPS.map((hex) => [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16)));

// 256 colours as bytes, three a level.
export const BYTES = new Uint8Array(256 * 3);
for (let level = 0; level < 256; level++) {
  const at = (level / 255) * (rgb.length - 1);
  const low = Math.min(Math.floor(at), rgb.length - 2);
  for (let c = 0; c < 3; c++) {
    BYTES[3 * level + c] = Math.round(rgb[low][c] + (at - low) * (rgb[low + 1][c] - rgb[low][c]));
  }
}

export function colour(value) {
  const i = 3 * Math.round(255 * Math.min(Math.max(value, 0), 1));
  return `rgb(${BYTES[i]} ${BYTES[i + 1]} ${BYTES[i + 2]})`;
}

// The ramp along an axis of a canvas, from calm at (x0, y0) to aroused at (x1, y1).
export function gradient(context, x0, y0, x1, y1) {
  const made = context.createLinearGradient(x0, y0, x1, y1);
  STEPS.forEach((step, i) => made.addColorStop(i / (STEPS.length - 1), step));
  return made;
}
