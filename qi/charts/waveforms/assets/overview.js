// The strip under the close-up: the whole case small, and which part of it is in view.

import { mark, mix, rule, type, write } from "./paint.js";

/** Hands on the chest, shocks and arrest spans of the whole case, and a box about the window. */
export function paintOverview({ overlay, look, pen, left, right }, all, window, top, height) {
  const x = (seconds) => left + ((seconds - all[0]) / (all[1] - all[0])) * (right - left);
  type(pen, look, 12, 600);
  write(pen, "Whole case", 0, top + height / 2, { colour: look.ink, right: left - 6 });
  pen.fillStyle = look.lane;
  pen.fillRect(left, top, right - left, height);
  pen.fillStyle = mix(look.ink, look.back, 0.14);
  for (const [from, to] of overlay.arrest_s) pen.fillRect(x(from), top, x(to) - x(from), height);
  const found = overlay.compressions;
  pen.fillStyle = mix(look.of("chest"), look.back, 0.7);
  found?.runs.forEach((first, at) => {
    const last = (found.runs[at + 1] ?? found.time_s.length) - 1;
    pen.fillRect(x(found.onset_s[first]), top + height * 0.45, Math.max(0.75, x(found.release_s[last]) - x(found.onset_s[first])), height * 0.4);
  });
  for (const shock of overlay.shocks ?? []) mark(pen, "diamond", x(shock.time_s), top + height * 0.24, 7, look.of("shock"), look.lane);
  const [from, to] = [x(window[0]), Math.max(x(window[0]) + 3, x(window[1]))];
  pen.globalAlpha = 0.55;
  pen.fillStyle = look.back;
  pen.fillRect(left, top, from - left, height);
  pen.fillRect(to, top, right - to, height);
  pen.globalAlpha = 1;
  pen.strokeStyle = look.select;
  pen.lineWidth = 2;
  pen.strokeRect(from, top + 1, to - from, height - 2);
  rule(pen, left, top + height, right, top + height, look.line);
}
