// On the picture: where a reviewer changed something, as a small v over the lane, and what is artefact.

import { leavesTrace } from "./legend.js";
import { markedBy } from "./listing.js";
import { hatch, rule, tick, type, write } from "./paint.js";
import { titled } from "./reviewer_marks.js";
import { artefacts, goneOf, placeOf } from "./things.js";
import { elapsed, length } from "./time.js";

const APART = 9; // pixels within which changes share one mark
const LINES = 6;
const CHEST = new Set(["compression", "pause", "artefact"]);
const RHYTHM = new Set(["shock", "rhythm"]);

/** Which corrections are shown over which lane; of things that stand in their lane with a mark of their own, only what is gone. */
export const ofChest = (one) => CHEST.has(one.subject);
export const ofBreaths = (one) => one.subject === "ventilation";
export const goneOfRhythm = (one) => leavesTrace(one) && RHYTHM.has(one.subject);
export const goneOfEvents = (one) => leavesTrace(one) && one.subject !== "arrest" && !ofChest(one) && !ofBreaths(one) && !goneOfRhythm(one);

/** A mark at each place where a wanted correction, or a row of the columns that a person put in, stands; y is the top of the lane. */
export function changesOn(sheet, wanted, columns, y) {
  const { pen, look, x, left, right } = sheet;
  const near = [];
  for (const change of changes(sheet.overlay, wanted, columns)) {
    const at = x(change.at);
    if (at < left || at > right) continue;
    const last = near[near.length - 1];
    if (last && at - last.x <= APART) last.all.push(change);
    else near.push({ x: at, all: [change] });
  }
  for (const { x: at, all } of near) {
    tick(pen, at, y, look.ink);
    const lines = all.slice(0, LINES).map(({ text }) => text);
    if (all.length > LINES) lines.push(`and ${all.length - LINES} more`);
    sheet.add({ x0: at - 5, x1: at + 5, y0: y - 7, y1: y + 1, at: all[0].at, title: "Changed by a reviewer", lines, first: true });
  }
}

/** {at, text} in order of time; rows whose correction is known are told by it. */
function changes(overlay, wanted, columns) {
  const said = overlay.corrections.filter(wanted);
  const all = said.map((one) => {
    const [at] = leavesTrace(one) ? [one.start_s] : placeOf(one);
    return { at, text: `${elapsed(at - overlay.zero_s)} ${titled(one)}, ${leavesTrace(one) ? goneOf(one) : markedBy(one)}` };
  });
  for (const [row, number] of columns?.persons ?? []) {
    if (number === null) all.push({ at: columns.time_s[row], text: `${elapsed(columns.time_s[row] - overlay.zero_s)} marked by a reviewer` });
  }
  return all.sort((one, other) => one.at - other.at);
}

/** Artefact on the chest's sensors, between two heights. */
export function artefactsInPicture(sheet, top, height) {
  const { pen, look, x, overlay, channels } = sheet;
  for (const one of artefacts(overlay)) {
    if (one.sensor && channels.find((channel) => channel.sensor === one.sensor)?.meaning !== "chest") continue;
    const [begin, end] = placeOf(one);
    const [a, b] = [Math.max(sheet.left, x(begin)), Math.min(sheet.right, Math.max(x(begin) + 3, x(end)))];
    if (b <= a) continue;
    hatch(pen, look, a, top, b - a, height, "crossed");
    for (const edge of [a, b]) rule(pen, edge, top, edge, top + height, look.ink);
    type(pen, look, 11, 600);
    if (b - a > pen.measureText("artefact").width + 8) {
      write(pen, "artefact", (a + b) / 2, top + height - 9, { colour: look.ink, align: "center", halo: look.back });
    }
    sheet.add({ x0: a, x1: b, y0: top, y1: top + height, at: begin, to: end, title: `Artefact, ${length(end - begin)}`, lines: [markedBy(one)] });
  }
}
