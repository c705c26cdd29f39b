// The live trace: the last seconds of force, with target band and limit.

import { t } from "/language.js";

export const SECONDS = 10;
/** A step in time longer than this is a hole, s. */
const HOLE_S = 0.05;

/** A round number that is not less. */
function round(force) {
  const power = 10 ** Math.floor(Math.log10(force));
  return [1, 1.5, 2, 3, 4, 5, 6, 8, 10].map((step) => step * power).find((step) => step >= force - 1e-9);
}

export class Trace {
  constructor(canvas) {
    this.canvas = canvas;
    this.top = 10;
  }

  /** Draws; nothing where nothing may be seen. */
  draw(connection, window) {
    const canvas = this.canvas;
    const ratio = globalThis.devicePixelRatio || 1;
    const [width, height] = [canvas.clientWidth, canvas.clientHeight];
    if (width === 0) return;
    if (canvas.width !== Math.round(width * ratio)) canvas.width = Math.round(width * ratio);
    if (canvas.height !== Math.round(height * ratio)) canvas.height = Math.round(height * ratio);
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    const bins = connection.bins;
    const end = bins.length ? bins[bins.length - 1][0] : 0;
    const from = end - SECONDS;
    let first = bins.length;
    while (first > 0 && bins[first - 1][0] > from) first -= 1;
    let highest = 5;
    for (let i = first; i < bins.length; i += 1) highest = Math.max(highest, bins[i][2] * 1.1);
    for (const level of [window?.cap_n, window?.band_n?.[1] * 1.3, window?.expected_n]) {
      if (level) highest = Math.max(highest, level * 1.1);
    }
    // It grows at once and shrinks slowly, so that the picture does not jump.
    this.top = Math.max(round(highest), this.top * 0.995 > round(highest) ? this.top * 0.995 : 0);
    // Readable from as far as the window is large.
    const size = Math.min(30, Math.max(14, Math.round(Math.min(width / 55, height / 9))));
    const left = 3 * size;
    const x = (time) => left + ((time - from) / SECONDS) * (width - left - 8);
    const y = (force) => height - 8 - (force / this.top) * (height - 16);
    this.grid(pen, left, width, y, size);
    if (window?.band_n) this.band(pen, left, width, y, window.band_n);
    this.line(pen, bins, first, x, y);
    if (window?.cap_n) this.level(pen, left, width, y(window.cap_n), t.limit, size);
  }

  grid(pen, left, width, y, size) {
    pen.font = `${size}px system-ui, sans-serif`;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    pen.lineWidth = 1;
    const step = round(this.top / 5);
    for (let force = 0; force <= this.top; force += step) {
      pen.strokeStyle = force === 0 ? "#333" : "#d0d4d8";
      pen.beginPath();
      pen.moveTo(left, y(force));
      pen.lineTo(width, y(force));
      pen.stroke();
      pen.fillStyle = "#333";
      pen.fillText(String(Number(force.toPrecision(3))), left - 6, y(force));
    }
  }

  band(pen, left, width, y, [low, high]) {
    pen.fillStyle = "#cfe8d8";
    pen.fillRect(left, y(high), width - left, y(low) - y(high));
    pen.strokeStyle = "#11613a";
    pen.lineWidth = 2;
    for (const force of [low, high]) {
      pen.beginPath();
      pen.moveTo(left, y(force));
      pen.lineTo(width, y(force));
      pen.stroke();
    }
  }

  line(pen, bins, first, x, y) {
    pen.strokeStyle = "#0b3d5c";
    pen.lineWidth = 3;
    pen.lineJoin = "round";
    pen.beginPath();
    let before = -Infinity;
    for (let i = first; i < bins.length; i += 1) {
      const [time, least, greatest] = bins[i];
      if (time - before > HOLE_S) pen.moveTo(x(time), y(least));
      pen.lineTo(x(time), y(least));
      pen.lineTo(x(time), y(greatest));
      before = time;
    }
    pen.stroke();
  }

  level(pen, left, width, at, label, size) {
    pen.strokeStyle = "#b00020";
    pen.lineWidth = 4;
    pen.setLineDash([14, 8]);
    pen.beginPath();
    pen.moveTo(left, at);
    pen.lineTo(width, at);
    pen.stroke();
    pen.setLineDash([]);
    pen.fillStyle = "#b00020";
    pen.font = `bold ${size + 2}px system-ui, sans-serif`;
    pen.textAlign = "right";
    pen.textBaseline = "top";
    pen.fillText(label, width - 6, at + 5);
  }
}
