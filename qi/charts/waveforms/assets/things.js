// What can be picked in the close-up: each detected or charted thing as {subject, words, start_s, end_s, …}, and who put it there.

import { length } from "./time.js";

const AIRWAY_DEVICES = new Set(["supraglottic", "tracheal_tube"]);
const SAME = 0.05; // seconds within which a thing of a new overlay is the one picked before
const persons = new WeakMap(); // columns of compressions or breaths -> Map of row -> number

/** A thing; end_s null for a moment. edges: whether its two ends move by themselves. */
function thing(subject, words, start, end, { value = null, person = false, number = null } = {}) {
  return { subject, words, start_s: start, end_s: end, value: value === null ? null : String(value), person, number };
}

/** Whether a person put a row of the columns there, and by which correction. */
export function by(columns, row) {
  if (!persons.has(columns)) persons.set(columns, new Map(columns.persons));
  const map = persons.get(columns);
  return { person: map.has(row), number: map.get(row) ?? null };
}

export function compressionThing({ compressions: found }, at) {
  const depth = found.depth_mm[at];
  return thing("compression", depth === null ? "compression" : `compression, ${depth.toFixed(0)} mm deep`, found.time_s[at], null, by(found, at));
}

export function breathThing({ ventilations: found }, at) {
  return thing("ventilation", "breath", found.time_s[at], null, by(found, at));
}

export function pauseThing(pause) {
  return thing("pause", `pause of ${length(pause.end_s - pause.start_s)}, cause ${pause.cause || "unknown"}`, pause.start_s, pause.end_s, pause);
}

export function shockThing(shock) {
  return thing("shock", shock.words, shock.time_s, null, { ...shock, value: shock.energy_j });
}

export function deviceThing(device, way) {
  const airway = AIRWAY_DEVICES.has(device.kind);
  const subject = airway ? { on: "airway_placed", off: "airway_removed" }[way] : `device_${way}`;
  return thing(subject, `${device.words} ${way}`, device[`${way}_s`], null, { ...device, value: device.kind });
}

export function rhythmThing(rhythm) {
  return thing("rhythm", `rhythm ${rhythm.words}`, rhythm.start_s, null, rhythm);
}

export function eventThing(event) {
  return thing(event.subject, event.words, event.time_s, event.end_s, event);
}

export function arrestThing({ arrest_s: spans, arrest_by: edges }, at) {
  const number = edges[at][0] ?? edges[at][1];
  return thing("arrest", spans.length > 1 ? `arrest ${at + 1}` : "arrest", ...spans[at], { person: number !== null, number });
}

export function artefactThing(correction) {
  return thing("artefact", "artefact", ...placeOf(correction), { person: true, number: correction.number });
}

/** Where a correction leaves its subject. */
export function placeOf(correction) {
  return correction.to_start_s === null ? [correction.start_s, correction.end_s] : [correction.to_start_s, correction.to_end_s];
}

/** Stretches that a reviewer calls artefact. */
export function artefacts(overlay) {
  return overlay.corrections.filter((one) => one.subject === "artefact" && one.action !== "remove" && placeOf(one)[1] !== null);
}

/** Every thing of the case as {at, thing}, in order of time; an arrest stands twice, at its start and at its end. */
export function everything(overlay) {
  const all = [];
  const add = (one, at = one.start_s) => all.push({ at, thing: one });
  overlay.compressions?.time_s.forEach((_, at) => add(compressionThing(overlay, at)));
  overlay.ventilations?.time_s.forEach((_, at) => add(breathThing(overlay, at)));
  for (const pause of overlay.pauses ?? []) add(pauseThing(pause));
  for (const shock of overlay.shocks ?? []) add(shockThing(shock));
  for (const device of overlay.devices ?? []) {
    add(deviceThing(device, "on"));
    if (device.off_s !== null) add(deviceThing(device, "off"));
  }
  for (const rhythm of overlay.rhythms ?? []) add(rhythmThing(rhythm));
  for (const event of overlay.events ?? []) add(eventThing(event));
  overlay.arrest_s.forEach((span, at) => span.forEach((edge) => add(arrestThing(overlay, at), edge)));
  for (const one of artefacts(overlay)) add(artefactThing(one));
  return all.sort((one, other) => one.at - other.at);
}

/** Place of the first at or after a moment, in a row of `count` whose times `time(i)` rise. */
export function firstFrom(count, time, seconds) {
  let low = 0;
  let high = count;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (time(middle) < seconds) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** The thing of a new overlay that was picked in the one before; null where it is gone. */
export function again(all, old) {
  if (!old) return null;
  const same = all.filter((one) => one.thing.subject === old.subject && Math.abs(one.thing.start_s - old.start_s) <= SAME);
  same.sort((one, other) => Math.abs(one.thing.start_s - old.start_s) - Math.abs(other.thing.start_s - old.start_s));
  return same[0]?.thing ?? null;
}

/** The correction of a number, or null. */
export function correctionOf(overlay, number) {
  return number === null ? null : (overlay.corrections.find((one) => one.number === number) ?? null);
}

/** Line of a tip: that a person put this there, and why; empty for what the machine found. */
export function saidOf(overlay, { person, number, cause_by_person: cause }) {
  if (!person) return "";
  const said = correctionOf(overlay, number);
  const what = cause && said?.action !== "add" && said?.action !== "move" ? "cause given by a reviewer" : "marked by a reviewer";
  return said?.why ? `${what}: ${said.why}` : what;
}

/** Line of a tip: who took a thing away from here, or moved it, and why. */
export function goneOf(correction) {
  const head = correction.action === "move" ? "moved from here" : "taken away";
  return `${head} by ${correction.who || "a reviewer"}${correction.why ? `: ${correction.why}` : ""}`;
}
