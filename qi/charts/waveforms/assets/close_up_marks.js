// What was detected, drawn on the waveforms: compressions, breaths, pauses, shocks, events, evidence.

import { artefactsOn, goneOn, goneInStrip } from "./reviewer_marks.js";
import { hatch, mark, mix, outline, rule, tick, type, write } from "./paint.js";
import { merge } from "./picture_lanes.js";
import { Shelf } from "./shelf.js";
import { lanesOf } from "./trace.js";
import { arrestThing, breathThing, compressionThing, deviceThing, eventThing, pauseThing, rhythmThing, saidOf, shockThing } from "./things.js";
import { clock, elapsed, length } from "./time.js";

const EACH = 14; // pixels a second from which single compressions are marked
const CROWDED = 300; // seconds in view from which the lines of events stand back
const CLOSE = 70; // pixels a second from which onset, release and residual are marked
const BREATHS = 1.5; // pixels a second from which breaths are marked
const VALUES = 4; // pixels a second from which end-tidal values are written

/** Indexes of the column's times that lie in [from, to]. */
function* inside(times, from, to) {
  let low = 0;
  let high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] < from) low = middle + 1;
    else high = middle;
  }
  for (let at = low; at < times.length && times[at] <= to; at++) yield at;
}

/** Whether single things of a subject are drawn at a width; only what is drawn can be picked. */
export function isMarked(subject, perSecond) {
  return perSecond >= ({ compression: EACH, ventilation: BREATHS }[subject] ?? 0);
}

/** Marks on the lanes, under the strip of words. */
export function paintMarks(sheet, lanes, bottom) {
  const chest = lanesOf("compression", lanes);
  const { pen, left, right } = sheet;
  if (!lanes.length) return;
  pen.save();
  pen.beginPath();
  pen.rect(left, 0, right - left, bottom);
  pen.clip();
  paintEvidence(sheet, lanes, bottom);
  for (const lane of chest) paintUnknown(sheet, lane);
  paintPauses(sheet, lanesOf("pause", lanes));
  for (const lane of chest) paintCompressions(sheet, lane);
  for (const lane of lanesOf("ventilation", lanes)) paintBreaths(sheet, lane);
  for (const lane of lanesOf("rhythm", lanes)) paintRhythms(sheet, lane);
  artefactsOn(sheet, lanes);
  goneOn(sheet, lanes);
  pen.restore();
}

function paintEvidence(sheet, lanes, bottom) {
  const { pen, look, x, from, to, highlight } = sheet;
  if (!highlight) return;
  const near = highlight.spans_s.filter(([begin, end]) => end >= from && begin <= to);
  pen.fillStyle = look.select;
  for (const [a, b] of merge(near.map(([begin, end]) => [x(begin), Math.max(x(begin) + 1.5, x(end))]))) {
    pen.globalAlpha = 0.13;
    pen.fillRect(a, lanes[0].top, b - a, bottom - lanes[0].top);
    pen.globalAlpha = 1;
    pen.fillRect(a, lanes[0].top - 4, b - a, 3);
  }
}

function paintUnknown(sheet, lane) {
  const { pen, look, x, overlay, from, to, left, right } = sheet;
  for (const [begin, end] of overlay.unknown_s) {
    if (end < from || begin > to) continue;
    const [a, b] = [Math.max(left, x(begin)), Math.min(right, x(end))];
    pen.globalAlpha = 0.55;
    hatch(pen, look, a, lane.top, b - a, lane.height);
    pen.globalAlpha = 1;
    type(pen, look, 11);
    if (b - a > 70) write(pen, "unknown", (a + b) / 2, lane.top + lane.height / 2, { colour: look.muted, align: "center", halo: look.back });
  }
}

function paintPauses(sheet, lanes) {
  const { pen, look, x, overlay, from, to, left, right } = sheet;
  for (const pause of overlay.pauses ?? []) {
    if (pause.end_s < from || pause.start_s > to) continue;
    const [a, b] = [Math.max(left, x(pause.start_s)), Math.min(right, x(pause.end_s))];
    const seconds = length(pause.end_s - pause.start_s);
    const known = pause.cause && pause.cause !== "unknown";
    lanes.forEach((lane, at) => {
      pen.globalAlpha = pause.long ? 0.16 : 0.09;
      pen.fillStyle = look.ink;
      pen.fillRect(a, lane.top, b - a, lane.height);
      pen.globalAlpha = 1;
      if (pause.person) outline(pen, x(pause.start_s), lane.top, x(pause.end_s) - x(pause.start_s), lane.height - 1, look.ink);
      if (pause.person && at === 0) tick(pen, (a + b) / 2, lane.top - 1, look.ink);
      const lines = [known ? `Cause: ${pause.cause}` : "Cause unknown", saidOf(overlay, pause)];
      const thing = pauseThing(pause);
      sheet.add({ x0: a, x1: b, y0: lane.top, y1: lane.top + lane.height, title: `Pause, ${seconds}`, lines, thing });
      if (at > 0 || !pause.listed) return;
      type(pen, look, 11, pause.long ? 600 : 400);
      const text = [known ? `${seconds} ${pause.cause}` : `${seconds}, cause unknown`, seconds].find((one) => pen.measureText(one).width < b - a - 8);
      if (text) write(pen, text, (a + b) / 2, lane.top + lane.height / 2, { colour: look.ink, align: "center", halo: mix(look.ink, look.lane, 0.1) });
    });
  }
}

function paintCompressions(sheet, lane) {
  const { pen, look, x, overlay, from, to, perSecond } = sheet;
  const found = overlay.compressions;
  const colour = look.of("chest");
  const depth = lane.channel.channel === "compression_depth";
  if (depth) for (const limit of overlay.depth_band_mm ?? []) rule(pen, sheet.left, lane.y(limit), sheet.right, lane.y(limit), look.muted, [2, 3]);
  if (!found || perSecond < EACH) return;
  for (const at of inside(found.time_s, from - 1, to + 1)) {
    const deepest = x(found.time_s[at]);
    const value = lane.channel.at(found.time_s[at]) ?? (depth ? found.depth_mm[at] : null);
    const y = value === null ? lane.top + lane.height - 8 : Math.max(lane.top + 6, Math.min(lane.top + lane.height - 7, lane.y(value)));
    const thing = compressionThing(overlay, at);
    mark(pen, "triangle", deepest, depth ? y + 3 : y - 3, 8, colour, look.lane, thing.person);
    if (thing.person) tick(pen, deepest, lane.top - 1, look.ink);
    sheet.add(compressionItem(sheet, lane, at, thing));
    if (perSecond < CLOSE) continue;
    for (const [edge, way] of [[found.onset_s[at], 1], [found.release_s[at], -1]]) bracket(pen, x(edge), lane.top + 3, way, colour);
    if (depth && found.residual_mm[at] !== null) mark(pen, "ring", x(found.release_s[at]), lane.y(found.residual_mm[at]), 7, colour, look.lane);
  }
}

/** A small corner at the top of the lane: ⌜ where the downstroke starts, ⌝ where the upstroke ends. */
function bracket(pen, x, top, way, colour) {
  pen.beginPath();
  pen.moveTo(x, top + 8);
  pen.lineTo(x, top);
  pen.lineTo(x + way * 5, top);
  pen.strokeStyle = colour;
  pen.lineWidth = 1.25;
  pen.stroke();
}

function compressionItem({ overlay, x }, lane, at, thing) {
  const found = overlay.compressions;
  const depth = found.depth_mm[at];
  const residual = found.residual_mm[at];
  const gap = at ? found.time_s[at] - found.time_s[at - 1] : Infinity;
  const lines = [
    depth === null ? "Depth not recorded" : `${depth.toFixed(0)} mm deep`,
    residual === null ? "" : `${residual.toFixed(0)} mm left at the release`,
    gap < 2 ? `${Math.round(60 / gap)}/min since the one before` : "",
    saidOf(overlay, thing),
  ];
  const deepest = x(found.time_s[at]);
  return { x0: deepest - 4, x1: deepest + 4, y0: lane.top, y1: lane.top + lane.height, title: "Compression", lines, thing };
}

function paintBreaths(sheet, lane) {
  const { pen, look, x, overlay, from, to, perSecond } = sheet;
  const breaths = overlay.ventilations;
  if (!breaths || perSecond < BREATHS) return;
  const colour = look.of("breath");
  const room = new Shelf(1);
  for (const at of inside(breaths.time_s, from - 5, to + 5)) {
    const begin = x(breaths.time_s[at]);
    const wide = breaths.insufflation_s[at] === null ? 0 : breaths.insufflation_s[at] * perSecond;
    const thing = breathThing(overlay, at);
    pen.fillStyle = colour;
    pen.fillRect(begin - 1, lane.top + lane.height - 12, 2, 12);
    if (thing.person) {
      mark(pen, "bar", begin, lane.top + lane.height - 7, 12, colour, look.lane, true);
      tick(pen, begin, lane.top - 1, look.ink);
    }
    if (wide > 3) pen.fillRect(begin, lane.top + lane.height - 4, wide, 4);
    const value = breaths.etco2_mmhg[at];
    const lines = [wide ? `${breaths.insufflation_s[at].toFixed(2)} s in` : "", value === null ? "" : `EtCO2 ${value.toFixed(0)} mmHg`, saidOf(overlay, thing)];
    const [y0, y1] = [lane.top + lane.height - 14, lane.top + lane.height];
    sheet.add({ x0: begin - 3, x1: begin + Math.max(3, wide), y0, y1, title: "Breath", lines, thing });
    if (lane.channel.channel !== "co2" || value === null || perSecond < VALUES) continue;
    type(pen, look, 11, 600);
    const text = value.toFixed(0);
    const size = pen.measureText(text).width + 6;
    if (!room.free(0, begin, begin + size)) continue;
    room.take(0, begin, begin + size);
    write(pen, text, begin + 4, lane.top + lane.height - 12, { colour: look.ink, halo: look.lane });
  }
}

function paintRhythms(sheet, lane) {
  const { pen, look, x, overlay, from, to, left, right } = sheet;
  type(pen, look, 11, 600);
  for (const rhythm of overlay.rhythms ?? []) {
    if (rhythm.end_s < from || rhythm.start_s > to) continue;
    const [a, b] = [Math.max(left, x(rhythm.start_s)), Math.min(right, x(rhythm.end_s))];
    if (x(rhythm.start_s) >= left) {
      pen.fillStyle = look.of("circulation");
      pen.fillRect(a, lane.top, 2, lane.height);
      if (rhythm.person) tick(pen, a + 1, lane.top - 1, look.ink);
      const lines = [elapsed(rhythm.start_s - overlay.zero_s), saidOf(overlay, rhythm)];
      sheet.add({ x0: a - 3, x1: a + 5, y0: lane.top, y1: lane.top + 20, title: `Rhythm: ${rhythm.words}`, lines, thing: rhythmThing(rhythm) });
    }
    if (pen.measureText(rhythm.words).width + 14 < b - a) write(pen, rhythm.words, a + 6, lane.top + 10, { colour: look.ink, halo: look.lane });
  }
}

/** Shocks, events and edges of the arrest in view, each with the thing it is. */
function stripItems({ overlay, from, to }) {
  const shocks = (overlay.shocks ?? []).map((shock) => ({ ...shock, meaning: "shock", shape: "diamond", rank: -1, thing: shockThing(shock) }));
  const device = (one, way, shape) => ({ ...one, time_s: one[`${way}_s`], words: `${one.words} ${way}`, meaning: "device", shape, rank: 2, thing: deviceThing(one, way) });
  const devices = (overlay.devices ?? []).flatMap((one) => [device(one, "on", "square"), ...(one.off_s === null ? [] : [device(one, "off", "ring")])]);
  const events = (overlay.events ?? []).map((event) => ({ ...event, thing: eventThing(event) }));
  const edges = overlay.arrest_s.flatMap((span, at) => span.map((_, side) => edgeItem(overlay, at, side)));
  const all = [...shocks, ...devices, ...events, ...edges].filter((one) => one.time_s >= from && one.time_s <= to);
  return all.sort((one, other) => one.rank - other.rank || one.time_s - other.time_s);
}

/** Where an arrest starts (side 0) or ends (side 1). */
function edgeItem(overlay, at, side) {
  const number = overlay.arrest_by[at][side];
  const words = side ? "Arrest ends" : "Arrest starts";
  return { time_s: overlay.arrest_s[at][side], words, meaning: null, shape: side ? "end" : "start", rank: 1, person: number !== null, number, thing: arrestThing(overlay, at) };
}

/** Height of the strip above the lanes, in rows; always the same, so that nothing jumps while panning. */
export function stripRows(sheet) {
  const { overlay } = sheet;
  return (overlay.shocks ?? []).length + (overlay.events ?? []).length + (overlay.devices ?? []).length + overlay.arrest_s.length ? 2 : 0;
}

/** Words of shocks and events above the lanes, with a line down through all of them. */
export function paintStrip(sheet, lanes, bottom) {
  const { pen, look } = sheet;
  const rows = stripRows(sheet);
  if (!rows || !lanes.length) return;
  type(pen, look, 12, 600);
  write(pen, "Events", 0, lanes[0].top - 13, { colour: look.ink });
  const shelf = new Shelf(rows);
  const items = stripItems(sheet);
  for (const one of items) paintStripItem(sheet, shelf, one, lanes[0].top, bottom);
  goneInStrip(sheet, shelf, lanes[0].top - 13);
}

function paintStripItem(sheet, shelf, one, top, bottom) {
  const { pen, look, x, from, to, left, right, overlay } = sheet;
  const at = x(one.time_s);
  const colour = one.meaning ? look.of(one.meaning) : look.ink;
  type(pen, look, 11.5, one.meaning === "shock" ? 600 : 400);
  const wide = pen.measureText(one.words).width + 18;
  const ways = [[at - 7, at + wide], [at - wide, at + 7]].filter(([begin, end]) => begin >= left - 7 && end <= right + 7);
  const way = ways.find(([begin, end]) => shelf.rows.some((_, row) => shelf.free(row, begin, end)));
  const row = way ? shelf.place(...way) : shelf.place(at - 7, at + 7);
  const y = top - 13 - Math.max(0, row) * 16;
  pen.globalAlpha = to - from > CROWDED ? 0.45 : 1;
  rule(pen, at, y + 6, at, bottom, colour, one.meaning === "shock" || !one.meaning ? [] : [3, 3]);
  pen.globalAlpha = 1;
  if (row < 0) return;
  mark(pen, one.shape, at, y, 10, colour, look.back, one.person);
  const flipped = Boolean(way && way[1] < at + 10);
  if (way) write(pen, one.words, flipped ? at - wide + 8 : at + 10, y, { colour: look.ink, left, right: right + 8 });
  const [x0, x1] = way ?? [at - 7, at + 7];
  if (one.person) outline(pen, x0, y - 8, x1 - x0 - 2, 15, look.ink);
  const lines = [elapsed(one.time_s - overlay.zero_s), clock(one.time_s, overlay.clock), saidOf(overlay, one)];
  sheet.add({ x0, x1, y0: y - 8, y1: y + 8, title: one.words, lines, thing: one.thing });
}
