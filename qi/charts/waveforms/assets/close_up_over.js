// What is drawn over the close-up while it is worked on: cursor, chosen stretch, what is picked with its handles, what was asked for.

import { lanesOf } from "./trace.js";
import { outline, rule, tick } from "./paint.js";
import { length } from "./time.js";

const NEAR = 7; // pixels within which a handle is taken hold of
const NEAR_TOUCH = 16;
const KNOB = [8, 16];
const STRIP = new Set(["compression", "ventilation", "pause", "rhythm", "artefact"]); // subjects without a word in the strip

/** The edges of a thing that can be drawn: [name, seconds]. */
function edges(thing) {
  const own = [["start_s", thing.start_s]];
  return thing.end_s === null ? own : [...own, ["end_s", thing.end_s]];
}

/** The handle of the picked thing under a point: {thing, edge, x}, or null. */
export function handleAt(view, editor, point) {
  const { sheet, bottom } = view;
  if (!editor.editable || !editor.picked || !sheet || point.y > bottom) return null;
  const reach = point.touch ? NEAR_TOUCH : NEAR;
  const found = edges(editor.picked)
    .map(([edge, seconds]) => ({ thing: editor.picked, edge, x: sheet.x(seconds) }))
    .filter(({ x }) => Math.abs(x - point.x) <= reach && x >= sheet.left && x <= sheet.right);
  found.sort((one, other) => Math.abs(one.x - point.x) - Math.abs(other.x - point.x));
  return found[0] ?? null;
}

/** All of it, kept between the axes. */
export function paintEditing(pen, view, editor) {
  const { sheet, bottom, look } = view;
  const top = view.lanes[0]?.top ?? 0;
  pen.save();
  pen.beginPath();
  pen.rect(sheet.left - 8, 0, sheet.right - sheet.left + 16, bottom);
  pen.clip();
  if (editor.stretch) paintStretch(pen, sheet, editor.stretch, top, bottom);
  for (const { at } of editor.asked) {
    if (at === null) continue;
    rule(pen, sheet.x(at), top, sheet.x(at), bottom, look.ink, [2, 4]);
    tick(pen, sheet.x(at), top - 1, look.ink);
  }
  if (editor.picked) paintPicked(pen, view, editor);
  if (editor.moving) paintMoving(pen, sheet, editor.moving, top, bottom);
  if (editor.cursor !== null) paintCursor(pen, sheet, editor.cursor, top, bottom);
  pen.restore();
  paintTimes(pen, view, editor);
}

function paintStretch(pen, { x, left, right, look }, [from, to], top, bottom) {
  const [a, b] = [Math.max(left - 4, x(from)), Math.min(right + 4, x(to))];
  if (b < a) return;
  pen.fillStyle = look.select;
  pen.globalAlpha = 0.16;
  pen.fillRect(a, top, b - a, bottom - top);
  pen.globalAlpha = 1;
  pen.strokeStyle = look.select;
  pen.lineWidth = 1.5;
  pen.strokeRect(a, top, Math.max(1, b - a), bottom - top - 1);
}

function paintCursor(pen, { x, look }, cursor, top, bottom) {
  pen.fillStyle = look.select;
  pen.fillRect(x(cursor) - 0.75, top, 1.5, bottom - top);
}

/** A frame about the thing on its lanes, and knobs on the edges that can be drawn. */
function paintPicked(pen, view, { picked, editable }) {
  const { sheet, look, bottom } = view;
  const { x, left, right } = sheet;
  const lanes = lanesOf(picked.subject, view.lanes);
  const [first, last] = [lanes[0], lanes[lanes.length - 1]];
  if (!first) return;
  const top = STRIP.has(picked.subject) ? first.top - 2 : Math.max(1, first.top - 21);
  const end = STRIP.has(picked.subject) ? last.top + last.height + 2 : bottom - 1;
  const apart = picked.end_s === null || picked.subject === "arrest"; // an arrest is too long to be framed as a whole
  const frames = apart ? edges(picked).map(([, at]) => [x(at) - 7, x(at) + 7]) : [[x(picked.start_s) - 2, x(picked.end_s) + 2]];
  pen.strokeStyle = look.select;
  pen.lineWidth = 2;
  for (const [begin, stop] of frames) {
    const [a, b] = [Math.max(left - 6, begin), Math.min(right + 6, stop)];
    if (b < a) continue;
    pen.beginPath();
    pen.roundRect(a, top, b - a, end - top, 4);
    pen.stroke();
  }
  if (!editable) return;
  for (const [, seconds] of edges(picked)) paintKnob(pen, look, x(seconds), (first.top + first.height + first.top) / 2);
}

function paintKnob(pen, look, x, y) {
  const [wide, high] = KNOB;
  pen.beginPath();
  pen.roundRect(x - wide / 2, y - high / 2, wide, high, 3);
  pen.fillStyle = look.back;
  pen.fill();
  pen.strokeStyle = look.select;
  pen.lineWidth = 2;
  pen.stroke();
  pen.fillStyle = look.select;
  for (const off of [-1.75, 0.75]) pen.fillRect(x + off, y - 3.5, 1, 7);
}

function paintMoving(pen, { x, look }, { start_s: start, end_s: end }, top, bottom) {
  const [a, b] = [x(start), x(end ?? start)];
  pen.fillStyle = look.select;
  pen.globalAlpha = 0.12;
  pen.fillRect(a - 1, top, b - a + 2, bottom - top);
  pen.globalAlpha = 1;
  outline(pen, a, top, b - a, bottom - top - 1, look.select);
}

/** The cursor's time, and the length of the stretch, on the axis. */
function paintTimes(pen, view, { cursor, stretch, moving }) {
  const { x, look, left, right } = view.sheet;
  const show = (seconds, text) => {
    const at = x(seconds);
    if (at >= left - 1 && at <= right + 1) view.paintMoment(pen, at, look.select, look.back, text);
  };
  if (moving) {
    for (const edge of ["start_s", "end_s"]) if (moving[edge] !== null && moving[edge] !== moving.thing[edge]) show(moving[edge]);
    return;
  }
  if (stretch) show((Math.max(stretch[0], view.window[0]) + Math.min(stretch[1], view.window[1])) / 2, length(stretch[1] - stretch[0]));
  else if (cursor !== null) show(cursor);
}
