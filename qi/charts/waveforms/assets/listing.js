// The case in sentences, in order of time, for those who hear the page; and a chosen stretch in numbers.

import { firstFrom, goneOf, placeOf, saidOf } from "./things.js";
import { leavesTrace } from "./legend.js";
import { elapsed, length } from "./time.js";

const CYCLE = 2; // seconds from which two compressions count as apart

/** One line for each listed pause, shock, device, rhythm, event and correction between two moments. */
export function eventLines(overlay, from, to) {
  const lines = [];
  const add = (time, text, one = {}) => {
    const said = saidOf(overlay, one);
    if (time >= from && time <= to) lines.push([time, `${elapsed(time - overlay.zero_s)} ${text}${said ? `, ${said}` : ""}`]);
  };
  overlay.arrest_s.forEach(([begin, end], at) => {
    const [start, stop] = overlay.arrest_by[at].map((number) => ({ person: number !== null, number }));
    add(begin, "Arrest begins", start);
    add(end, "Arrest ends", stop);
  });
  for (const [begin, end] of overlay.unknown_s) add(begin, `Chest not seen for ${length(end - begin)}`);
  for (const pause of overlay.pauses ?? []) {
    if (pause.listed) add(pause.start_s, `Pause of ${length(pause.end_s - pause.start_s)}, cause: ${pause.cause || "unknown"}`, pause);
  }
  for (const shock of overlay.shocks ?? []) add(shock.time_s, shock.words, shock);
  for (const rhythm of overlay.rhythms ?? []) add(rhythm.start_s, `Rhythm: ${rhythm.words}`, rhythm);
  for (const device of overlay.devices ?? []) {
    add(device.on_s, `${device.words} on`, device);
    if (device.off_s !== null) add(device.off_s, `${device.words} off`, device);
  }
  for (const event of overlay.events ?? []) add(event.time_s, event.words, event);
  for (const one of overlay.corrections) {
    add(one.start_s, correctionLine(one));
    if (one.action === "move" && one.to_start_s !== null) add(one.to_start_s, `Correction: ${one.words || one.subject}, moved to here, ${markedBy(one)}`);
  }
  return lines.sort((one, other) => one[0] - other[0]).map(([, text]) => text);
}

/** One correction: its words, whether something was taken away here or put here, by whom and why. */
function correctionLine(one) {
  const span = placeOf(one);
  const lasting = span[1] === null ? "" : ` for ${length(span[1] - span[0])}`;
  if (one.subject === "artefact" && one.action !== "remove") return `Correction: artefact${lasting}, ${markedBy(one)}`;
  return `Correction: ${one.words || one.subject}, ${leavesTrace(one) ? goneOf(one) : markedBy(one)}`;
}

/** "marked by B. Reed: twitching" */
export function markedBy(one) {
  return `marked by ${one.who || "a reviewer"}${one.why ? `: ${one.why}` : ""}`;
}

/** What a stretch holds: its length, compressions and their rate while hands were at work, and breaths. */
export function stretchWords(overlay, [from, to]) {
  const zero = overlay.zero_s;
  const words = [];
  const times = within(overlay.compressions, from, to);
  const breaths = within(overlay.ventilations, from, to);
  if (times) {
    const cycles = times.slice(1).map((time, at) => time - times[at]).filter((cycle) => cycle < CYCLE);
    const rate = cycles.length ? ` (${Math.round((60 * cycles.length) / cycles.reduce((sum, one) => sum + one, 0))}/min while compressing)` : "";
    words.push(`${times.length} ${times.length === 1 ? "compression" : "compressions"}${rate}`);
  }
  if (breaths) words.push(`${breaths.length} ${breaths.length === 1 ? "breath" : "breaths"}`);
  const head = `${elapsed(from - zero, 1)} to ${elapsed(to - zero, 1)}, ${length(to - from)}`;
  return words.length ? `${head}: ${words.join(", ")}` : head;
}

function within(columns, from, to) {
  if (!columns) return null;
  const first = (seconds) => firstFrom(columns.time_s.length, (at) => columns.time_s[at], seconds);
  return columns.time_s.slice(first(from), first(to));
}
