// "In one picture": the whole arrest on one time axis, one lane a subject. A click chooses a moment, a drag a window.

import { find, tell } from "./cases.js";
import { chestLane } from "./chest_lane.js";
import { Frame } from "./frame.js";
import { eventLines } from "./listing.js";
import { mix, rule, type, wrap, write } from "./paint.js";
import { arrestLane, breathLane, co2Lane, deviceLane, eventLane, evidenceLane, merge, rhythmLane } from "./picture_lanes.js";
import { clock, elapsed, length, ticks } from "./time.js";

const GAP = 11; // between lanes
const AXIS = 22;
const AROUND = 10; // seconds shown on either side of a chosen moment

export class Picture extends Frame {
  constructor(parent) {
    super(parent, {
      name: "picture",
      help: "The whole arrest on one time axis. Left and right arrow keys move a cursor, with Shift in longer steps; Home and End go to the ends; Enter looks closer at the cursor; Escape takes it away. Every event is in the list that follows.",
    });
    this.plot.setAttribute("aria-label", "The arrest in one picture");
    this.window = null; // where the close-up is
    this.cursor = null; // moment under the keyboard's cursor
    this.pointer = null;
    this.selecting = null;
    this.told = null; // the case that the server knows to be on the screen
  }

  arrived() {
    this.window = find(this.data.case).window;
    const { extent_s: extent, zero_s: zero, clock: start } = this.overlay;
    const hours = start ? ` (clock ${clock(extent[0], start)} to ${clock(extent[1], start)})` : "";
    this.caption = `${elapsed(extent[0] - zero)} to ${elapsed(extent[1] - zero)} from the first compression${hours}`;
    this.say(`${this.caption}. Click to look closer, drag for a window.`);
    this.listEvents("Events of the case", eventLines(this.overlay, -Infinity, Infinity));
  }

  drawn() {
    this.tellDrawn();
  }

  /** Tell the server, once this and the close-up are on the screen, that charts and tables may follow. */
  tellDrawn() {
    const { case: key, tellDrawn: asked } = this.data;
    if (!asked || this.told === key || this.drawnCase !== key || !find(key).drawn) return;
    this.told = key;
    setTimeout(() => this.trigger("drawn", key));
  }

  heard(message) {
    if (message.kind === "drawn") this.tellDrawn();
    if (message.kind !== "window") return;
    this.window = message.window;
    this.requestOver();
  }

  plan(pen, width) {
    const overlay = this.overlay;
    const left = width < 860 ? 92 : 124;
    const right = width - 12;
    const from = overlay.extent_s[0];
    const to = Math.max(overlay.extent_s[1], from + 1);
    const x = (seconds) => left + ((seconds - from) / (to - from)) * (right - left);
    const highlight = this.data.highlight ?? null;
    this.items = [];
    this.sheet = { overlay, channels: this.channels ?? [], highlight, look: this.look, pen, left, right, from, to, x, add: (item) => this.items.push(item) };
    this.sheet.seconds = (across) => Math.max(from, Math.min(to, from + ((across - left) / (right - left)) * (to - from)));
    const kinds = [arrestLane, ...(highlight ? [evidenceLane] : []), chestLane, breathLane, co2Lane, deviceLane, rhythmLane, eventLane];
    let top = 4;
    this.lanes = kinds.map((kind) => {
      const lane = kind(this.sheet);
      type(pen, this.look, 12, 600);
      lane.name = wrap(pen, lane.title, left - 14);
      lane.height = Math.max(lane.height, lane.name.length * 15);
      lane.top = top;
      top += lane.height + GAP;
      return lane;
    });
    this.bottom = top - GAP + 5;
    return this.bottom + AXIS;
  }

  paint(pen) {
    const { look, left, right, x, from, to, overlay, highlight } = this.sheet;
    const first = this.lanes[1].top - 5;
    pen.fillStyle = look.lane;
    for (const [begin, end] of overlay.arrest_s) {
      const [a, b] = [Math.max(left, x(begin)), Math.min(right, x(end))];
      if (b > a) pen.fillRect(a, first, b - a, this.bottom - first);
    }
    const marks = ticks(from, to, overlay.zero_s, (to - from) / ((right - left) / 72));
    for (const mark of marks) rule(pen, x(mark.at), first, x(mark.at), this.bottom, look.line);
    if (highlight) this.paintEvidence(pen);
    for (const lane of this.lanes) this.paintLane(pen, lane);
    rule(pen, left, this.bottom, right, this.bottom, look.faint);
    type(pen, look, 11);
    for (const mark of marks) write(pen, mark.text, x(mark.at), this.bottom + 12, { colour: look.muted, align: "center", left: left - 20, right: right + 12 });
  }

  paintLane(pen, lane) {
    const { look, left, right } = this.sheet;
    type(pen, look, 12, 600);
    const start = lane.top + (lane.head ?? 0);
    lane.name.forEach((line, at) => write(pen, line, 0, start + 8 + at * 15, { colour: look.ink, right: left - 6 }));
    type(pen, look, 10.5);
    const taken = start + lane.name.length * 15;
    for (const tick of lane.ticks ?? []) {
      const y = Math.max(lane.top + 5, Math.min(lane.top + lane.height - 5, lane.top + tick.y));
      const wide = pen.measureText(tick.text).width;
      const beside = this.look && y > taken + 2 ? 0 : nameWidth(pen, look, lane.name) + 8;
      if (left - 6 - wide >= beside) write(pen, tick.text, left - 6, y, { colour: look.muted, align: "right" });
    }
    lane.paint(lane.top);
    if (lane !== this.lanes[this.lanes.length - 1]) rule(pen, 0, lane.top + lane.height + GAP / 2, right, lane.top + lane.height + GAP / 2, look.line);
  }

  paintEvidence(pen) {
    const { look, left, right, x, highlight } = this.sheet;
    const top = this.lanes[1].top + 20;
    pen.fillStyle = mix(look.select, look.lane, 0.16);
    for (const [a, b] of merge(highlight.spans_s.map(([begin, end]) => [x(begin), Math.max(x(begin) + 1, x(end))]))) {
      const [begin, end] = [Math.max(left, a), Math.min(right, b)];
      if (end > begin) pen.fillRect(begin, top, end - begin, this.bottom - top);
    }
  }

  paintOver(pen) {
    const { look, x, left, right } = this.sheet;
    const top = this.lanes[0].top + 18;
    const span = this.selecting ?? this.window;
    if (span) {
      const [a, b] = [Math.max(left, x(span[0])), Math.min(right, x(span[1]))];
      pen.strokeStyle = look.select;
      pen.lineWidth = 1.5;
      pen.fillStyle = look.select;
      pen.globalAlpha = this.selecting ? 0.16 : 0.08;
      if (b > a) pen.fillRect(a, top, b - a, this.bottom - top);
      pen.globalAlpha = 1;
      if (b > a || !this.selecting) pen.strokeRect(a, top, Math.max(2, b - a), this.bottom - top);
    }
    const at = this.pointer ? this.pointer.x : this.cursor === null ? null : x(this.cursor);
    if (at === null || this.selecting || at < left || at > right) return;
    rule(pen, at, top, at, this.bottom, look.muted);
    type(pen, look, 11, 600);
    const text = elapsed(this.sheet.seconds(at) - this.overlay.zero_s);
    const wide = pen.measureText(text).width + 10;
    const box = Math.max(left - 20, Math.min(at - wide / 2, right + 12 - wide));
    pen.fillStyle = look.ink;
    pen.fillRect(box, this.bottom + 3, wide, 17);
    write(pen, text, box + 5, this.bottom + 12, { colour: look.back });
  }

  hover(point) {
    const { left, right } = this.sheet;
    this.pointer = point && point.x >= left && point.x <= right ? point : null;
    this.requestOver();
    if (!this.pointer) return this.showTip(0, 0, "", []);
    const item = this.itemAt(point);
    const seconds = this.sheet.seconds(point.x);
    const now = `${elapsed(seconds - this.overlay.zero_s)}${this.overlay.clock ? ` (${clock(seconds, this.overlay.clock)})` : ""}`;
    if (item) return this.showTip(point.x, point.y, item.title, item.lines);
    const lane = this.lanes.find((one) => point.y >= one.top && point.y < one.top + one.height);
    return this.showTip(point.x, point.y, now, lane?.read?.(seconds) ?? []);
  }

  click(point) {
    const { left, right } = this.sheet;
    if (point.x < left - 8 || point.x > right + 8) return;
    const item = this.itemAt(point);
    const broad = !item || item.at === null || item.x1 - item.x0 > 60;
    const moment = broad ? this.sheet.seconds(point.x) : item.at;
    this.choose(moment, broad ? moment : (item.to ?? moment));
  }

  /** Look closer at a moment, or at something that lasts until `to`. */
  choose(moment, to = moment) {
    const around = Math.max(AROUND, (to - moment) * 0.5);
    tell("look", this.data.case, [moment - around, to + around], this);
    this.trigger("moment", Math.round(moment * 1000) / 1000);
  }

  drag(from, here, phase) {
    const ends = [this.sheet.seconds(from.x), this.sheet.seconds(here.x)].sort((one, other) => one - other);
    this.selecting = phase === "end" ? null : ends;
    this.pointer = null;
    const text = `${elapsed(ends[0] - this.overlay.zero_s)} to ${elapsed(ends[1] - this.overlay.zero_s)}`;
    this.showTip(here.x, here.y, phase === "end" ? "" : text, [length(ends[1] - ends[0])]);
    if (phase === "end" && ends[1] > ends[0]) {
      tell("look", this.data.case, ends, this);
      this.trigger("window", ends.map((end) => Math.round(end * 1000) / 1000));
    }
    this.requestOver();
  }

  key(event) {
    if (!this.sheet) return false;
    const { from, to } = this.sheet;
    const step = (to - from) * (event.shiftKey ? 0.05 : 0.005);
    const now = this.cursor ?? this.overlay.zero_s;
    const moves = { ArrowLeft: now - step, ArrowRight: now + step, Home: from, End: to };
    if (event.key in moves) this.cursor = Math.max(from, Math.min(to, moves[event.key]));
    else if (event.key === "Escape") this.cursor = null;
    else if (event.key === "Enter" && this.cursor !== null) this.choose(this.cursor);
    else return false;
    if (this.cursor === null) this.say(this.caption);
    else this.say([`Cursor at ${elapsed(this.cursor - this.overlay.zero_s)}`, ...this.lanes.flatMap((lane) => lane.read?.(this.cursor) ?? [])].join(", "));
    this.requestOver();
    return true;
  }
}

function nameWidth(pen, look, name) {
  type(pen, look, 12, 600);
  const widest = Math.max(...name.map((line) => pen.measureText(line).width));
  type(pen, look, 10.5);
  return widest;
}
