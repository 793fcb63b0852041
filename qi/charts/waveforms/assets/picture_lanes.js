// The other lanes of the picture. Each answers {title, height, paint(top)}, and where it can: ticks, read(seconds).

import { mark, mix, outline, rule, shorten, tick, type, write } from "./paint.js";
import { changesOn, goneOfEvents, goneOfRhythm, ofBreaths } from "./picture_changes.js";
import { Shelf } from "./shelf.js";
import { saidOf } from "./things.js";
import { clock, elapsed, length, levels } from "./time.js";

const BAR = 15;
const LONGEST = 230; // pixels for the words of one event; the hover tip has all of them

/** Words in place of a lane's content: not recorded (null) or none found (empty). */
function absent(sheet, top, height, text) {
  type(sheet.pen, sheet.look, 12);
  write(sheet.pen, text, sheet.left + 8, top + height / 2, { colour: sheet.look.muted });
}

/** Stretches without circulation, and how long each was. */
export function arrestLane(sheet) {
  const { overlay, pen, look, x } = sheet;
  const paint = (top) => {
    const many = overlay.arrest_s.length > 1;
    overlay.arrest_s.forEach(([from, to], at) => {
      const [left, right] = [Math.max(sheet.left, x(from)), Math.min(sheet.right, x(to))];
      if (right <= left) return;
      pen.fillStyle = mix(look.ink, look.back, 0.55);
      pen.fillRect(left, top + 13, right - left, 3);
      type(pen, look, 11, 600);
      const text = `${many ? `Arrest ${at + 1}` : "Arrest"}, ${elapsed(to - from)}`;
      const begin = left + (overlay.arrest_by[at][0] === null ? 0 : 9); // beside the reviewer's mark
      if (pen.measureText(text).width < right - begin) write(pen, text, begin, top + 5, { colour: look.ink });
      const edges = overlay.arrest_by[at];
      edges.forEach((number, side) => number !== null && tick(pen, side ? right : left, top + 12, look.ink));
      const said = ["start", "end"].map((edge, side) => (edges[side] === null ? "" : `${edge} ${saidOf(overlay, { person: true, number: edges[side] })}`));
      const lines = [`${elapsed(from - overlay.zero_s)} to ${elapsed(to - overlay.zero_s)}`, ...said];
      sheet.add({ x0: left, x1: right, y0: top, y1: top + 18, at: from, to, title: text, lines });
    });
  };
  return { title: "Circulation lost", height: 17, paint };
}

/** What a chosen measure came from. */
export function evidenceLane(sheet) {
  const { pen, look, x, highlight } = sheet;
  const paint = (top) => {
    pen.fillStyle = look.select;
    const merged = merge(highlight.spans_s.map(([from, to]) => [x(from), Math.max(x(from) + 2, x(to))]));
    for (const [left, right] of merged) {
      const [begin, end] = [Math.max(sheet.left, left), Math.min(sheet.right, right)];
      if (end > begin) pen.fillRect(begin, top + 20, end - begin, 5);
    }
    type(pen, look, 12, 600);
    write(pen, highlight.label, sheet.left, top + 8, { colour: look.select, left: sheet.left, right: sheet.right });
  };
  return { title: "Evidence", height: 26, paint };
}

/** Stretches in pixels, those closer than one pixel joined. */
export function merge(stretches) {
  const joined = [];
  for (const [from, to] of [...stretches].sort((one, other) => one[0] - other[0])) {
    const last = joined[joined.length - 1];
    if (last && from <= last[1] + 1) last[1] = Math.max(last[1], to);
    else joined.push([from, to]);
  }
  return joined;
}

/** One tick a breath. */
export function breathLane(sheet) {
  const { overlay, pen, look, x } = sheet;
  const breaths = overlay.ventilations;
  const height = 24;
  const paint = (top) => {
    if (!breaths) return absent(sheet, top, height, "Breaths were not recorded");
    if (!breaths.time_s.length) return absent(sheet, top, height, "No breath was found");
    pen.fillStyle = look.of("breath");
    for (const time of breaths.time_s) {
      const at = x(time);
      if (at >= sheet.left && at <= sheet.right) pen.fillRect(at - 0.75, top + 3, 1.5, height - 6);
    }
    changesOn(sheet, ofBreaths, breaths, top + 2);
    return undefined;
  };
  const read = (seconds) => {
    if (!breaths) return [];
    const count = breaths.time_s.filter((time) => time >= seconds - 30 && time < seconds + 30).length;
    return [`${count} ${count === 1 ? "breath" : "breaths"} in the minute around`];
  };
  return { title: "Breaths", height, paint, read };
}

/** End-tidal values as a line over the envelope of the trace. */
export function co2Lane(sheet) {
  const { overlay, pen, look, x } = sheet;
  const height = 56;
  const trace = sheet.channels.find((channel) => channel.channel === "co2");
  const values = endTidal(sheet);
  const most = Math.max(50, ...values.map(([, value]) => value));
  const scale = levels(0, most * 1.05, 2);
  const y = (value, top) => top + height - 2 - (value / (most * 1.08)) * (height - 4);
  const paint = (top) => {
    if (!trace && !values.length) return absent(sheet, top, height, "CO2 was not recorded");
    for (const level of scale) rule(pen, sheet.left, y(level.value, top), sheet.right, y(level.value, top), look.line);
    if (trace) paintEnvelope(sheet, trace, (value) => y(value, top));
    paintEndTidal(sheet, values, (value) => y(value, top));
    return undefined;
  };
  const read = (seconds) => {
    const near = values.reduce((best, one) => (Math.abs(one[0] - seconds) < Math.abs((best?.[0] ?? Infinity) - seconds) ? one : best), null);
    return near && Math.abs(near[0] - seconds) < 30 ? [`EtCO2 ${Math.round(near[1])} mmHg at ${elapsed(near[0] - overlay.zero_s)}`] : [];
  };
  const ticks = scale.map((level, at) => ({ y: y(level.value, 0), text: at === scale.length - 1 ? `${level.text} mmHg` : level.text }));
  return { title: "CO2", height, paint, read, ticks: trace || values.length ? ticks : [] };
}

/** [time, mmHg] of each breath; where breaths carry none, the monitor's own number. */
function endTidal({ overlay, channels }) {
  const breaths = overlay.ventilations;
  const seen = breaths ? breaths.time_s.map((time, at) => [time, breaths.etco2_mmhg[at]]).filter(([, value]) => value !== null) : [];
  const numbers = channels.find((channel) => channel.channel === "etco2");
  if (seen.length || !numbers) return seen;
  return numbers.pieces.flatMap((piece) => Array.from(piece.samples, (_, i) => [piece.start + i / piece.rate, piece.value(i)]));
}

function paintEnvelope(sheet, trace, y) {
  const { pen, look, from, to } = sheet;
  const wide = Math.floor(sheet.right - sheet.left);
  const step = (to - from) / wide;
  pen.fillStyle = mix(look.of("breath"), look.back, 0.3);
  for (const piece of trace.within(from, to)) {
    const first = Math.max(0, Math.floor((piece.start - from) / step));
    const last = Math.min(wide, Math.ceil((piece.end - from) / step));
    piece.columns(from, step, first, last, (column, low, high) => {
      pen.fillRect(sheet.left + column, y(high), 1, Math.max(1, y(low) - y(high)));
    });
  }
}

function paintEndTidal({ pen, look, x, left, right }, values, y) {
  pen.strokeStyle = look.of("breath");
  pen.lineWidth = 1.75;
  pen.lineJoin = "round";
  pen.beginPath();
  let before = -Infinity;
  for (const [time, value] of values) {
    if (x(time) < left || x(time) > right) continue;
    if (time - before > 45) {
      pen.moveTo(x(time) - 1, y(value));
      pen.lineTo(x(time), y(value));
    } else {
      pen.lineTo(x(time), y(value));
    }
    before = time;
  }
  pen.stroke();
}

/** One bar a device, in a row of its kind. */
export function deviceLane(sheet) {
  const { overlay } = sheet;
  const kinds = [...new Set((overlay.devices ?? []).map((device) => device.row))];
  const rows = [];
  for (const kind of kinds) {
    const shelf = new Shelf(4);
    for (const device of overlay.devices.filter((one) => one.row === kind)) {
      const end = device.off_s ?? sheet.to;
      const row = Math.max(0, shelf.place(sheet.x(device.on_s), Math.max(sheet.x(device.on_s) + 3, sheet.x(end))));
      (rows[rowsBefore(rows, kind) + row] ??= { kind, devices: [] }).devices.push(device);
    }
  }
  const height = Math.max(1, rows.length) * (BAR + 4);
  const paint = (top) => {
    if (!overlay.devices) return absent(sheet, top, height, "Devices were not recorded");
    if (!rows.length) return absent(sheet, top, height, "No device was charted");
    rows.forEach((row, at) => paintDevices(sheet, row.devices, top + at * (BAR + 4) + 2));
    return undefined;
  };
  return { title: "Devices on", height, paint };
}

function rowsBefore(rows, kind) {
  const at = rows.findIndex((row) => row?.kind === kind);
  return at < 0 ? rows.length : at;
}

function paintDevices(sheet, devices, top) {
  const { pen, look, x, overlay } = sheet;
  const taken = new Shelf(1);
  const boxes = devices.map((device) => {
    const left = Math.max(sheet.left, x(device.on_s));
    const right = Math.min(sheet.right, Math.max(x(device.on_s) + 3, x(device.off_s ?? sheet.to)));
    taken.take(0, left, right);
    return { device, left, right };
  });
  for (const { device, left, right } of boxes) {
    if (right <= left) continue;
    const colour = look.of("device");
    pen.fillStyle = barFill(sheet, colour, left, right, device.off_s === null);
    pen.fillRect(left, top, right - left, BAR);
    pen.fillStyle = colour;
    pen.fillRect(left, top, 3, BAR);
    if (device.off_s !== null && right < sheet.right) pen.fillRect(right - 3, top, 3, BAR);
    type(pen, look, 11, 600);
    const wide = pen.measureText(device.words).width;
    const room = right - left - 12 - (device.off_s === null ? 30 : 0);
    if (wide <= room) write(pen, device.words, left + 8, top + BAR / 2 + 0.5, { colour: look.ink });
    else if (right + wide + 8 < sheet.right && taken.free(0, right + 1, right + wide + 8)) {
      write(pen, device.words, right + 5, top + BAR / 2 + 0.5, { colour: look.ink });
    } else if (left - wide - 8 > sheet.left && taken.free(0, left - wide - 8, left - 1)) {
      write(pen, device.words, left - wide - 5, top + BAR / 2 + 0.5, { colour: look.ink });
    }
    const off = device.off_s === null ? "Removal not recorded" : `Off ${elapsed(device.off_s - overlay.zero_s)}, on for ${length(device.off_s - device.on_s)}`;
    if (device.person) outline(pen, left, top, right - left - 1, BAR - 1, look.ink);
    const lines = [`On ${elapsed(device.on_s - overlay.zero_s)}`, off, saidOf(overlay, device)];
    sheet.add({ x0: left, x1: right, y0: top, y1: top + BAR, at: device.on_s, title: device.words, lines });
  }
}

/** A quiet fill; it fades out where no removal was recorded. */
function barFill({ pen, look }, colour, left, right, open) {
  const quiet = mix(colour, look.back, 0.34);
  if (!open) return quiet;
  const fade = pen.createLinearGradient(Math.max(left, right - 60), 0, right, 0);
  fade.addColorStop(0, quiet);
  fade.addColorStop(1, look.lane);
  return fade;
}

/** Shocks as diamonds with their energy, over the rhythm as it was told. */
export function rhythmLane(sheet) {
  const { overlay } = sheet;
  const height = 44;
  const paint = (top) => {
    const { shocks, rhythms } = overlay;
    for (const rhythm of rhythms ?? []) paintRhythm(sheet, rhythm, top + 25);
    const room = new Shelf(1);
    for (const shock of shocks ?? []) room.take(0, sheet.x(shock.time_s) - 7, sheet.x(shock.time_s) + 7);
    for (const shock of shocks ?? []) paintShock(sheet, shock, top + 11, room);
    const missing = [shocks ? (shocks.length ? "" : "No shock was found") : "Shocks were not recorded", rhythms?.length ? "" : "No rhythm was charted"];
    changesOn(sheet, goneOfRhythm, null, top + 1);
    missing.forEach((text, at) => text && absent(sheet, top + 22 * at, 22, text));
  };
  return { title: "Rhythm and shocks", height, paint };
}

function paintRhythm(sheet, rhythm, top) {
  const { pen, look, x, overlay } = sheet;
  const [left, right] = [Math.max(sheet.left, x(rhythm.start_s)), Math.min(sheet.right, x(rhythm.end_s))];
  if (right <= left) return;
  const colour = look.of("circulation");
  pen.fillStyle = mix(colour, look.back, 0.26);
  pen.fillRect(left, top, Math.max(1, right - left - 1), 17);
  pen.fillStyle = colour;
  pen.fillRect(left, top, 3, 17);
  type(pen, look, 11, 600);
  if (right - left > 24) {
    const text = shorten(pen, rhythm.words, right - left - 11);
    if (text === rhythm.words || text.length > 4) write(pen, text, left + 7, top + 9, { colour: look.ink });
  }
  const lines = [`Told at ${elapsed(rhythm.start_s - overlay.zero_s)}, until the next was told at ${elapsed(rhythm.end_s - overlay.zero_s)}`, saidOf(overlay, rhythm)];
  if (rhythm.person) outline(pen, left, top, right - left - 2, 16, look.ink);
  sheet.add({ x0: left, x1: right, y0: top, y1: top + 17, at: rhythm.start_s, title: rhythm.words, lines });
}

function paintShock(sheet, shock, y, room) {
  const { pen, look, x, overlay } = sheet;
  const at = x(shock.time_s);
  if (at < sheet.left || at > sheet.right) return;
  mark(pen, "diamond", at, y, 12, look.of("shock"), look.back, shock.person);
  type(pen, look, 11, 600);
  const text = shock.energy_j === null ? "" : `${shock.energy_j} J`;
  const wide = pen.measureText(text).width;
  if (text && at + 9 + wide < sheet.right && room.free(0, at + 8, at + 12 + wide)) {
    room.take(0, at + 8, at + 12 + wide);
    write(pen, text, at + 9, y + 0.5, { colour: look.ink });
  }
  sheet.add({ x0: at - 7, x1: at + 7, y0: y - 9, y1: y + 9, at: shock.time_s, title: shock.words, lines: [elapsed(shock.time_s - overlay.zero_s), clock(shock.time_s, overlay.clock), saidOf(overlay, shock)] });
}

/** Drugs and other events; each with its words where there is room, the weightiest first. */
export function eventLane(sheet) {
  const { overlay, pen, look, x } = sheet;
  const row = 18;
  const inside = (overlay.events ?? []).filter((event) => event.time_s >= sheet.from && event.time_s <= sheet.to);
  const shelf = new Shelf(6);
  const placed = [];
  type(pen, look, 11.5);
  const outside = [placeOutside(sheet, shelf, true), placeOutside(sheet, shelf, false)].filter(Boolean);
  for (const event of [...inside].sort((one, other) => one.rank - other.rank || one.time_s - other.time_s)) {
    placed.push(placeEvent(sheet, shelf, event, x(event.time_s)));
  }
  const crowded = placed.filter((one) => one.row < 0);
  const rows = shelf.used + (crowded.length ? 1 : 0);
  for (const one of crowded) one.row = rows - 1; // a row of marks alone, below the words
  const height = Math.max(1, rows) * row;
  const paint = (top) => {
    if (!overlay.events) return absent(sheet, top, height, "Events were not recorded");
    for (const one of [...placed, ...outside]) paintEvent(sheet, one, top + row * (one.row + 0.5));
    changesOn(sheet, goneOfEvents, null, top + 1);
    return undefined;
  };
  return { title: "Drugs and events", height, paint };
}

function placeEvent({ pen, left, right }, shelf, event, at) {
  const text = shorten(pen, event.words, LONGEST);
  const wide = pen.measureText(text).width + 18;
  const ways = [[at - 7, at + wide], [at - wide, at + 7]].filter(([from, to]) => from >= left - 7 && to <= right + 7);
  for (let row = 0; row < shelf.rows.length; row++) {
    for (const [from, to] of ways) {
      if (!shelf.free(row, from, to)) continue;
      shelf.take(row, from, to);
      return { event, at, row, text, flipped: to < at + 10 };
    }
  }
  return { event, at, row: -1, text: "", flipped: false };
}

/** "3 earlier" at the edge for events that the picture's axis does not reach. */
function placeOutside(sheet, shelf, before) {
  const { overlay, pen } = sheet;
  const there = (overlay.events ?? []).filter((event) => (before ? event.time_s < sheet.from : event.time_s > sheet.to));
  if (!there.length) return null;
  const text = before ? `‹ ${there.length} earlier` : `${there.length} later ›`;
  const wide = pen.measureText(text).width + 8;
  const at = before ? sheet.left : sheet.right - wide;
  const row = Math.max(0, shelf.place(at, at + wide));
  return { text, at: at + 2, row, wide, outside: there, before };
}

function paintEvent(sheet, placed, y) {
  const { pen, look, x, overlay } = sheet;
  type(pen, look, 11.5);
  if (placed.outside) {
    write(pen, placed.text, placed.at, y, { colour: look.muted });
    const lines = placed.outside.slice(0, 10).map((event) => `${elapsed(event.time_s - overlay.zero_s)} ${event.words}`);
    if (placed.outside.length > 10) lines.push(`and ${placed.outside.length - 10} more`);
    sheet.add({ x0: placed.at, x1: placed.at + placed.wide, y0: y - 8, y1: y + 8, at: null, title: placed.before ? "Before this picture" : "After this picture", lines });
    return;
  }
  const { event, at, text, flipped } = placed;
  const colour = look.of(event.meaning);
  if (event.end_s !== null && event.end_s > event.time_s) {
    pen.fillStyle = mix(colour, look.back, 0.5);
    pen.fillRect(at, y + 6, Math.min(sheet.right, x(event.end_s)) - at, 2);
  }
  mark(pen, event.shape, at, y, 10, colour, look.back, event.person);
  const wide = pen.measureText(text).width;
  if (text) write(pen, text, flipped ? at - 10 - wide : at + 10, y + 0.5, { colour: look.ink });
  const lines = [elapsed(event.time_s - overlay.zero_s), clock(event.time_s, overlay.clock), saidOf(overlay, event)];
  const [x0, x1] = [Math.min(at - 7, flipped ? at - 13 - wide : at), flipped ? at + 7 : at + 12 + wide];
  if (event.person) outline(pen, x0, y - 8, x1 - x0, 15, look.ink);
  sheet.add({ x0, x1, y0: y - 8, y1: y + 8, at: event.time_s, title: event.words, lines });
}
