// Under each trace: when its sensor could be trusted. A plain line is good; what is not is hatched, and named where there is room.

import { hatch, rule, type, write } from "./paint.js";
import { elapsed, length } from "./time.js";

export const STRIP = 12; // height, room above it included

/** rows: [start, end, state] of everything that is not good, in order of time. */
export function paintQuality(sheet, lane, rows) {
  const { pen, look, left, right, x, from, to, overlay } = sheet;
  const top = lane.top + lane.height + 2;
  const height = STRIP - 3;
  rule(pen, left, top + height / 2, right, top + height / 2, look.faint);
  type(pen, look, 9.5);
  for (const [begin, end, state] of rows) {
    if (end < from || begin > to) continue;
    const [a, b] = [Math.max(left, x(begin)), Math.min(right, Math.max(x(begin) + 1, x(end)))];
    hatch(pen, look, a, top, b - a, height);
    rule(pen, a, top, a, top + height, look.muted);
    rule(pen, b, top, b, top + height, look.muted);
    const wide = pen.measureText(state).width;
    if (b - a > wide + 10) write(pen, state, (a + b) / 2, top + height / 2 + 0.5, { colour: look.ink, align: "center", halo: look.back });
    const when = `${elapsed(begin - overlay.zero_s)} to ${elapsed(end - overlay.zero_s)} (${length(end - begin)})`;
    sheet.add({ x0: a, x1: b, y0: top, y1: top + height, title: `${lane.channel.name}: ${state}`, lines: [when] });
  }
}
