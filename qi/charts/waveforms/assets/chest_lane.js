// The chest lane of the picture: a ribbon where hands were on the chest, hanging from the chest's surface down to the depth reached.

import { hatch, mix, rule, type, write } from "./paint.js";
import { artefactsInPicture, changesOn, ofChest } from "./picture_changes.js";
import { Shelf } from "./shelf.js";
import { saidOf } from "./things.js";
import { elapsed, length } from "./time.js";

const ROW = 15; // height of a row of pause labels
const RIBBON = 62;
const LACKING = 0.45; // share of the lane's height where no depth is known

/** Number of compressions in [from, to), by binary search in a column of times. */
function firstAt(times, seconds) {
  let low = 0;
  let high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] < seconds) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** Compressions from one index to another as rate and mean depth, in words. */
export function summary(compressions, from, to) {
  const begin = firstAt(compressions.time_s, from);
  const end = firstAt(compressions.time_s, to);
  if (end - begin < 2) return [];
  const gaps = [];
  for (let at = begin + 1; at < end; at++) gaps.push(compressions.time_s[at] - compressions.time_s[at - 1]);
  gaps.sort((one, other) => one - other);
  const depths = compressions.depth_mm.slice(begin, end).filter((depth) => depth !== null);
  const depth = depths.reduce((sum, one) => sum + one, 0) / depths.length;
  return [`${Math.round(60 / gaps[gaps.length >> 1])} compressions/min`, depths.length ? `${Math.round(depth)} mm deep` : "depth not recorded"];
}

/** Plan the lane: labels of pauses are given room by length, with their cause where there is room for it. */
export function chestLane(sheet) {
  const { overlay, pen, look } = sheet;
  const labels = overlay.pauses ? placeLabels(sheet, overlay.pauses) : { rows: 0, placed: [] };
  const head = labels.rows * ROW + (labels.rows ? 6 : 0);
  const deepest = deepestShown(overlay);
  const lane = { title: "Chest", height: head + RIBBON, head, ticks: depthTicks(overlay, deepest, head) };
  lane.read = (seconds) => (overlay.compressions ? summary(overlay.compressions, seconds - 10, seconds + 10) : []);
  lane.paint = (top) => {
    const surface = top + head;
    for (const [from, to] of overlay.unknown_s) paintUnknown(sheet, from, to, surface);
    if (!overlay.compressions?.time_s.length) {
      type(pen, look, 12);
      const text = overlay.compressions ? "No compression was found" : "Chest compressions were not recorded";
      write(pen, text, sheet.left + 8, surface + RIBBON / 2, { colour: look.muted });
      paintChanges(sheet, surface);
      return;
    }
    paintRibbon(sheet, surface, deepest);
    for (const pause of overlay.pauses ?? []) paintPause(sheet, pause, surface);
    for (const depth of lane.ticks.length ? (overlay.depth_band_mm ?? []) : []) {
      const y = surface + (depth / deepest) * RIBBON;
      rule(pen, sheet.left, y, sheet.right, y, look.muted, [2, 3]);
    }
    rule(pen, sheet.left, surface, sheet.right, surface, look.faint);
    for (const label of labels.placed) paintLabel(sheet, label, surface);
    paintChanges(sheet, surface);
  };
  return lane;
}

function paintChanges(sheet, surface) {
  artefactsInPicture(sheet, surface, RIBBON);
  changesOn(sheet, ofChest, sheet.overlay.compressions, surface - 1);
}

function deepestShown(overlay) {
  const depths = (overlay.compressions?.depth_mm ?? []).filter((depth) => depth !== null).sort((one, other) => one - other);
  const usual = (overlay.depth_band_mm?.[1] ?? 60) * 1.15;
  return Math.max(usual, depths.length ? depths[Math.floor(depths.length * 0.995)] * 1.05 : 0);
}

function depthTicks(overlay, deepest, head) {
  if (!overlay.compressions?.depth_mm.some((depth) => depth !== null)) return [];
  const marks = overlay.depth_band_mm ?? [0, 50];
  return marks.map((depth, at) => ({
    y: head + (depth / deepest) * RIBBON,
    text: at === marks.length - 1 ? `${depth} mm` : String(depth),
  }));
}

function placeLabels(sheet, pauses) {
  const { pen, look, x, from, to } = sheet;
  const shelf = new Shelf(2);
  const placed = [];
  const wanted = pauses.filter((pause) => pause.listed && pause.end_s > from && pause.start_s < to);
  wanted.sort((one, other) => other.end_s - other.start_s - (one.end_s - one.start_s));
  for (const pause of wanted) {
    const seconds = length(pause.end_s - pause.start_s);
    const middle = (x(Math.max(from, pause.start_s)) + x(Math.min(to, pause.end_s))) / 2;
    const texts = pause.cause && pause.cause !== "unknown" ? [`${seconds} ${pause.cause}`, seconds] : [seconds];
    type(pen, look, 11, pause.long ? 600 : 400);
    for (const text of texts) {
      const wide = pen.measureText(text).width + 10;
      const at = Math.max(sheet.left, Math.min(middle - wide / 2, sheet.right - wide));
      const row = rowFor(shelf, at, at + wide, middle);
      if (row < 0) continue;
      placed.push({ pause, text, row, at: at + 5, middle });
      break;
    }
  }
  for (const label of placed) label.lift = label.row;
  return { rows: shelf.used, placed };
}

/** A row that is free, and from the upper one also a free way down for the leader. */
function rowFor(shelf, from, to, middle) {
  if (shelf.free(0, from, to)) {
    shelf.take(0, from, to);
    return 0;
  }
  if (!shelf.free(1, from, to) || !shelf.free(0, middle - 2, middle + 2)) return -1;
  shelf.take(1, from, to);
  shelf.take(0, middle - 2, middle + 2);
  return 1;
}

function paintLabel({ pen, look }, { pause, text, row, at, middle }, surface) {
  const y = surface - 6 - ROW * (row + 0.5);
  rule(pen, middle, y + 7, middle, surface, pause.long ? look.ink : look.faint);
  type(pen, look, 11, pause.long ? 600 : 400);
  write(pen, text, at, y, { colour: pause.long ? look.ink : look.muted });
}

function paintUnknown(sheet, from, to, surface) {
  const { pen, look, x } = sheet;
  const [left, right] = [Math.max(sheet.left, x(from)), Math.min(sheet.right, x(to))];
  if (right <= left) return;
  hatch(pen, look, left, surface, right - left, RIBBON);
  type(pen, look, 11);
  if (right - left > pen.measureText("unknown").width + 8) {
    write(pen, "unknown", (left + right) / 2, surface + RIBBON / 2, { colour: look.muted, align: "center", halo: look.back });
  }
  sheet.add({ x0: left, x1: right, y0: surface, y1: surface + RIBBON, at: from, to, title: `Unknown, ${length(to - from)}`, lines: ["No chest sensor could see in this time"] });
}

function paintRibbon(sheet, surface, deepest) {
  const { pen, look, overlay, x } = sheet;
  const { onset_s: onset, time_s: time, release_s: release, depth_mm: depth, runs } = overlay.compressions;
  const colour = look.of("chest");
  const known = depth.some((one) => one !== null);
  pen.save();
  pen.beginPath();
  pen.rect(sheet.left, surface, sheet.right - sheet.left, RIBBON + 2);
  pen.clip();
  runs.forEach((first, at) => {
    const last = (runs[at + 1] ?? time.length) - 1;
    const begin = x(onset[first]);
    const end = Math.max(begin + 1, x(release[last]));
    const edge = columnMeans(time, depth, first, last, x).map(([across, mean]) => [across, surface + (mean === null ? LACKING : Math.min(1, mean / deepest)) * RIBBON]);
    const line = [[begin, edge[0][1]], ...edge.filter(([across]) => across > begin && across < end), [end, edge[edge.length - 1][1]]];
    pen.beginPath();
    pen.moveTo(begin, surface);
    for (const [across, down] of line) pen.lineTo(across, down);
    pen.lineTo(end, surface);
    pen.fillStyle = mix(colour, look.back, known ? 0.42 : 0.25);
    pen.fill();
    pen.beginPath();
    line.forEach(([across, down], step) => (step ? pen.lineTo(across, down) : pen.moveTo(across, down)));
    pen.strokeStyle = colour;
    pen.lineWidth = 1.5;
    pen.setLineDash(known ? [] : [3, 3]);
    pen.stroke();
    pen.setLineDash([]);
  });
  pen.restore();
}

/** [x, mean depth] for each two pixels that hold compressions; null where none of them has a depth. */
function columnMeans(time, depth, first, last, x) {
  const means = [];
  let column = null;
  let [sum, count, place, all] = [0, 0, 0, 0];
  const close = () => column !== null && means.push([place / all, count ? sum / count : null]);
  for (let at = first; at <= last; at++) {
    const across = x(time[at]);
    if (Math.floor(across / 2) !== column) {
      close();
      column = Math.floor(across / 2);
      [sum, count, place, all] = [0, 0, 0, 0];
    }
    place += across;
    all += 1;
    if (depth[at] !== null) {
      sum += depth[at];
      count += 1;
    }
  }
  close();
  return means;
}

function paintPause(sheet, pause, surface) {
  const { pen, look, x, overlay } = sheet;
  const [left, right] = [Math.max(sheet.left, x(pause.start_s)), Math.min(sheet.right, x(pause.end_s))];
  if (right < sheet.left || left > sheet.right) return;
  const seconds = pause.end_s - pause.start_s;
  if (pause.listed) {
    const wide = Math.max(1.25, right - left);
    pen.fillStyle = pause.long ? mix(look.ink, look.back, 0.2) : look.lane;
    pen.fillRect(left, surface + 1, wide, RIBBON);
  }
  const cause = pause.cause && pause.cause !== "unknown" ? `Cause: ${pause.cause}` : "Cause unknown";
  const title = `Pause, ${length(seconds)}`;
  const when = `${elapsed(pause.start_s - overlay.zero_s)} to ${elapsed(pause.end_s - overlay.zero_s)}`;
  sheet.add({ x0: left, x1: right, y0: surface - 4, y1: surface + RIBBON, at: pause.start_s, to: pause.end_s, title, lines: [cause, when, saidOf(overlay, pause)] });
}
