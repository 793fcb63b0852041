// What a reviewer took away stays visible, faint and crossed out; what a reviewer calls artefact is hatched.

import { leavesTrace } from "./legend.js";
import { markedBy } from "./listing.js";
import { cross, hatch, mark, outline, rule, type, write } from "./paint.js";
import { artefacts, artefactThing, goneOf, placeOf } from "./things.js";
import { elapsed, length } from "./time.js";
import { lanesOf } from "./trace.js";

const ON_LANES = new Set(["compression", "ventilation", "pause", "rhythm", "artefact"]);

/** A correction's subject as people read it, with a capital. */
export function titled(correction) {
  const said = correction.words || correction.subject.replaceAll("_", " ");
  return said.charAt(0).toUpperCase() + said.slice(1);
}

/** Stretches of artefact on the lane of their sensor, or on all lanes. */
export function artefactsOn(sheet, lanes) {
  const { pen, look, x, from, to, left, right, overlay } = sheet;
  for (const one of artefacts(overlay)) {
    const [begin, end] = placeOf(one);
    if (end < from || begin > to) continue;
    const [a, b] = [Math.max(left, x(begin)), Math.min(right, x(end))];
    const lines = [`${elapsed(begin - overlay.zero_s, 1)} to ${elapsed(end - overlay.zero_s, 1)} (${length(end - begin)})`, markedBy(one)];
    const own = lanes.filter(({ channel }) => !one.sensor || channel.sensor === one.sensor);
    for (const lane of own) {
      hatch(pen, look, a, lane.top, b - a, lane.height, "crossed");
      rule(pen, a, lane.top, a, lane.top + lane.height, look.ink);
      rule(pen, b, lane.top, b, lane.top + lane.height, look.ink);
      type(pen, look, 11, 600);
      if (lane === own[0] && b - a > pen.measureText("artefact").width + 8) {
        write(pen, "artefact", (a + b) / 2, lane.top + lane.height - 10, { colour: look.ink, align: "center", halo: look.back });
      }
      sheet.add({ x0: a, x1: b, y0: lane.top, y1: lane.top + lane.height, title: "Artefact", lines, thing: artefactThing(one) });
    }
  }
}

/** Things of the lanes that were taken away or moved from where they were. */
export function goneOn(sheet, lanes) {
  const { overlay, from, to } = sheet;
  for (const one of overlay.corrections) {
    if (!leavesTrace(one) || !ON_LANES.has(one.subject) || (one.end_s ?? one.start_s) < from || one.start_s > to) continue;
    for (const lane of lanesOf(one.subject, lanes)) paintGone(sheet, lane, one);
  }
}

function paintGone(sheet, lane, one) {
  const { pen, look, x, left, right } = sheet;
  const [a, b] = [x(one.start_s), x(one.end_s ?? one.start_s)];
  const lasts = one.end_s !== null && b - a > 3;
  const middle = (Math.max(left, a) + Math.min(right, b)) / 2;
  const y = lane.top + lane.height - 11;
  if (lasts) outline(pen, a, lane.top + lane.height - 20, b - a, 18, look.faint);
  else if (one.subject === "compression") mark(pen, "triangle", middle, y, 8, look.faint, look.lane, true);
  else rule(pen, middle, y - 7, middle, y + 7, look.faint);
  cross(pen, middle, y, look.muted);
  const lines = [goneOf(one), movedTo(sheet, one)];
  const [x0, x1] = lasts ? [Math.max(left, a), Math.min(right, b)] : [middle - 5, middle + 5];
  sheet.add({ x0, x1, y0: y - 9, y1: y + 9, title: titled(one), lines, first: true });
}

/** Events of the strip that were taken away or moved: a faint mark, crossed out, on whichever row has room. */
export function goneInStrip(sheet, shelf, base) {
  const { pen, look, x, overlay, from, to } = sheet;
  for (const one of overlay.corrections) {
    if (!leavesTrace(one) || ON_LANES.has(one.subject)) continue;
    for (const seconds of leftBehind(one)) {
      if (seconds < from || seconds > to) continue;
      const at = x(seconds);
      const y = base - Math.max(0, shelf.place(at - 7, at + 7)) * 16;
      mark(pen, "ring", at, y, 9, look.faint, look.back);
      cross(pen, at, y, look.muted);
      sheet.add({ x0: at - 7, x1: at + 7, y0: y - 8, y1: y + 8, title: titled(one), lines: [goneOf(one), movedTo(sheet, one)], first: true });
    }
  }
}

/** The moments at which a correction leaves something crossed out: of an arrest only the edges that moved. */
function leftBehind(one) {
  if (one.subject !== "arrest") return [one.start_s];
  const edges = [[one.start_s, one.to_start_s], [one.end_s, one.to_end_s]];
  return edges.filter(([old, now]) => old !== null && (one.action === "remove" || (now !== null && now !== old))).map(([old]) => old);
}

function movedTo({ overlay }, one) {
  if (one.action !== "move" || one.to_start_s === null) return "";
  const end = one.to_end_s === null ? "" : ` to ${elapsed(one.to_end_s - overlay.zero_s, 1)}`;
  return `now at ${elapsed(one.to_start_s - overlay.zero_s, 1)}${end}`;
}
