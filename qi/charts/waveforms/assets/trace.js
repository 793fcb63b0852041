// One lane of the close-up: a channel's samples against an upright axis in its own unit.

import { hatch, mix, rule, shorten, type, wrap, write } from "./paint.js";
import { levels } from "./time.js";

const HEIGHT = 82;
const THICK = 1.25; // of a trace, in pixels
const RUN = 150; // samples drawn with one stroke; long strokes are slow to fill in
const DENSE = 60; // samples a pixel from which the trace is a block of colour, drawn quieter
const LEAST = 2; // samples a pixel from which lowest and highest are drawn instead of each sample

const CHEST = new Set(["compression_depth", "compression_force", "chest_acceleration"]);
const AIRWAY = new Set(["airway_pressure", "airway_flow", "co2", "thoracic_impedance"]);
const ECG = new Set(["ecg"]);
const HOMES = { compression: CHEST, pause: CHEST, ventilation: AIRWAY, rhythm: ECG };

/** The lanes on which things of a subject are drawn; a pause is drawn on the first lane where no chest sensor was. */
export function lanesOf(subject, lanes) {
  const home = HOMES[subject];
  if (!home) return lanes;
  const own = lanes.filter((lane) => home.has(lane.channel.channel));
  return subject === "pause" && !own.length ? lanes.slice(0, 1) : own;
}

/** Where and how a channel is drawn; y(value) answers the height on the canvas. */
export function planTrace(sheet, channel, top) {
  const height = HEIGHT;
  const [low, high] = channel.show;
  const share = (value) => (value - low) / (high - low);
  const y = channel.down ? (value) => top + share(value) * height : (value) => top + (1 - share(value)) * height;
  const decimals = Math.max(0, Math.min(2, 2 - Math.floor(Math.log10(high - low))));
  return { channel, top, height, y, decimals, meaning: channel.meaning };
}

/** Axis, name, gaps and the samples. */
export function paintTrace(sheet, lane) {
  const { pen, look, left, right } = sheet;
  const { channel, top, height, y } = lane;
  paintNames(sheet, lane);
  for (const level of levels(...channel.show, 3)) {
    const at = y(level.value);
    if (at < top + 4 || at > top + height - 4) continue;
    rule(pen, left, at, right, at, look.line);
    type(pen, look, 10.5);
    write(pen, level.text, left - 6, at, { colour: look.muted, align: "right" });
  }
  paintGaps(sheet, lane);
  pen.save();
  pen.beginPath();
  pen.rect(left, top, right - left, height);
  pen.clip();
  const pieces = channel.within(sheet.from, sheet.to);
  const dense = pieces.length > 0 && pieces[0].rate / sheet.perSecond > DENSE;
  pen.strokeStyle = dense ? mix(look.of(channel.meaning), look.lane, 0.7) : look.of(channel.meaning);
  pen.fillStyle = pen.strokeStyle;
  pen.lineWidth = THICK;
  pen.lineJoin = "bevel";
  for (const piece of pieces) paintPiece(sheet, lane, piece);
  pen.restore();
}

/** Name, unit and, where two files hold the same channel, the file. */
function paintNames(sheet, lane) {
  const { pen, look, left } = sheet;
  const { channel, top } = lane;
  type(pen, look, 12, 600);
  const lines = wrap(pen, channel.name, left - 44);
  lines.forEach((line, at) => write(pen, line, 0, top + 8 + at * 15, { colour: look.ink, right: left - 38 }));
  type(pen, look, 11);
  write(pen, channel.unit, 0, top + 9 + lines.length * 15, { colour: look.muted });
  type(pen, look, 10);
  write(pen, shorten(pen, channel.source, left - 40), 0, top + 23 + lines.length * 15, { colour: look.muted });
}

/** Hatching where the channel has no samples. */
function paintGaps(sheet, lane) {
  const { pen, look, left, right, x, from, to } = sheet;
  const edges = lane.channel.within(from, to).flatMap((piece) => [piece.start, piece.end]);
  const stops = [from, ...edges, to];
  for (let at = 0; at < stops.length; at += 2) {
    const [a, b] = [Math.max(left, x(stops[at])), Math.min(right, x(stops[at + 1]))];
    if (b - a < 2) continue;
    hatch(pen, look, a, lane.top, b - a, lane.height);
    type(pen, look, 11);
    const text = "no signal";
    if (b - a > pen.measureText(text).width + 12) {
      write(pen, text, (a + b) / 2, lane.top + lane.height / 2, { colour: look.muted, align: "center", halo: look.back });
    }
  }
}

function paintPiece(sheet, lane, piece) {
  const { left, right, from, to, perSecond } = sheet;
  if (piece.rate / perSecond < LEAST) return paintSamples(sheet, lane, piece);
  const ratio = Math.min(2, window.devicePixelRatio || 1);
  const step = 1 / (perSecond * ratio);
  const total = Math.ceil((right - left) * ratio);
  const first = Math.max(0, Math.floor((piece.start - from) / step));
  const last = Math.min(total, Math.ceil((Math.min(piece.end, to) - from) / step));
  return paintColumns(sheet, lane, (take) => piece.columns(from, step, first, last, take), left, 1 / ratio);
}

/**
 * Lowest to highest of each column as one upright block, drawn on to its neighbour so that steep flanks have no holes. Blocks, not a
 * line: a line with thousands of steep turns costs the browser a hundred times as much to fill in.
 */
function paintColumns({ pen }, { y }, each, left, wide) {
  let before = null;
  each((column, low, high) => {
    let [top, bottom] = [y(high), y(low)];
    if (top > bottom) [top, bottom] = [bottom, top];
    const own = [top, bottom];
    if (before && before.column === column - 1) {
      top = Math.min(top, before.bottom);
      bottom = Math.max(bottom, before.top);
    }
    pen.fillRect(left + column * wide, top - THICK / 2, wide, bottom - top + THICK);
    before = { column, top: own[0], bottom: own[1] };
  });
}

function paintSamples({ pen, x, from, to, perSecond }, { y }, piece) {
  const first = Math.max(0, Math.floor((from - piece.start) * piece.rate) - 1);
  const last = Math.min(piece.samples.length - 1, Math.ceil((to - piece.start) * piece.rate) + 1);
  for (let run = first; run <= last; run += RUN) {
    pen.beginPath();
    pen.moveTo(x(piece.start + run / piece.rate), y(piece.value(run)));
    for (let i = run + 1; i <= Math.min(last, run + RUN); i++) pen.lineTo(x(piece.start + i / piece.rate), y(piece.value(i)));
    if (run === last) pen.lineTo(x(piece.start + (run + 1) / piece.rate), y(piece.value(run)));
    pen.stroke();
  }
  if (perSecond / piece.rate < 9) return;
  for (let i = first; i <= last; i++) pen.fillRect(x(piece.start + i / piece.rate) - 1.75, y(piece.value(i)) - 1.75, 3.5, 3.5);
}
