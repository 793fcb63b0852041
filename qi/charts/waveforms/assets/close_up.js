// "Close up": the waveforms of a window with the detected events on them; zoom and pan happen here, without the server.

import { leave, tell } from "./cases.js";
import { Editor } from "./close_up_edit.js";
import { paintMarks, paintStrip, stripRows } from "./close_up_marks.js";
import { button, element } from "./element.js";
import { Frame } from "./frame.js";
import { eventLines } from "./listing.js";
import { paintOverview } from "./overview.js";
import { rule, type, write } from "./paint.js";
import { clock, elapsed, length, ticks } from "./time.js";
import { paintQuality, STRIP } from "./quality_strip.js";
import { paintTrace, planTrace } from "./trace.js";

const NARROWEST = 0.5; // seconds
const AROUND = 10; // seconds shown on either side of a chosen moment
const AXIS = 22;
const OVERVIEW = 34;
const HELP =
  "Waveforms of a window of the case. Left and right arrow keys move the window, with Shift by a whole window; plus and minus zoom; " +
  "Home and End go to the start and the end; 0 shows the whole case.";
const seen = new Map(); // case and view -> last window, so that a view that comes back stands where it stood

export class CloseUp extends Frame {
  constructor(parent) {
    super(parent, { name: "close-up", help: HELP });
    this.plot.setAttribute("aria-label", "Waveforms, close up");
    this.hint = element("div", "hint", "Click the waveforms first; then the wheel zooms");
    this.plot.append(this.hint);
    this.buttons = [
      ["−", "Zoom out", () => this.zoom(1.6)],
      ["+", "Zoom in", () => this.zoom(1 / 1.6)],
      ["‹", "Earlier", () => this.pan(-0.5)],
      ["›", "Later", () => this.pan(0.5)],
      ["Whole case", "Show the whole case", () => this.go(...this.all)],
    ].map((given) => button(...given));
    this.bar.prepend(...this.buttons);
    this.window = null;
    this.pointer = null;
    this.editor = new Editor(this);
  }

  get ready() {
    return Boolean(this.overlay && this.channels && this.window);
  }

  /** Overlay or samples came: the bounds may be new, and a first window is chosen. */
  arrived() {
    if (!this.channels) return;
    const { extent_s: extent, zero_s: zero } = this.overlay;
    this.all = [...extent];
    for (const { pieces } of this.channels) {
      if (!pieces.length) continue;
      this.all = [Math.min(this.all[0], pieces[0].start), Math.max(this.all[1], pieces[pieces.length - 1].end)];
    }
    const { moment, window } = this.data;
    const first = window ?? (moment == null ? [zero - 2, zero + 28] : [moment - AROUND, moment + AROUND]);
    this.go(...(this.window ?? seen.get(this.place) ?? first));
    this.editor.arrived();
  }

  get place() {
    return `${this.data.case} ${this.data.key}`;
  }

  /** Python asks for another moment or window than before. */
  changed(before) {
    if (before.case !== this.data.case) leave(before.case);
    this.editor.changed(before);
    this.help.textContent = this.editor.on ? `${HELP} ${this.editor.help}` : HELP;
    if (!this.window || before.case !== this.data.case) return;
    const { moment, window } = this.data;
    if (window && String(window) !== String(before.window)) this.go(...window);
    else if (moment != null && moment !== before.moment && (moment < this.window[0] || moment > this.window[1])) {
      this.go(moment - AROUND, moment + AROUND);
    }
  }

  /** The picture, which waits for this, tells the server. */
  drawn() {
    tell("drawn", this.data.case, null, this);
  }

  heard(message) {
    if (message.kind === "look") this.go(...message.window);
  }

  /** Show a window, kept within the case and not narrower than the narrowest. */
  go(from, to) {
    if (!this.all) return;
    const [first, last] = this.all;
    const wide = Math.min(last - first, Math.max(NARROWEST, to - from));
    const middle = (from + to) / 2;
    const begin = Math.max(first, Math.min(last - wide, middle - wide / 2));
    this.window = [begin, begin + wide];
    seen.set(this.place, this.window);
    this.root.dataset.window = this.window.join(" ");
    tell("window", this.data.case, this.window, this);
    this.request();
    const { zero_s: zero, clock: start } = this.overlay;
    const decimals = wide < 30 ? 1 : 0;
    const hours = start ? `, clock ${clock(begin, start)}` : "";
    this.say(`${elapsed(begin - zero, decimals)} to ${elapsed(begin + wide - zero, decimals)} (${length(wide)})${hours}`);
    this.buttons[0].disabled = this.buttons[4].disabled = wide >= last - first - 1e-6;
    this.buttons[1].disabled = wide <= NARROWEST + 1e-6;
    this.buttons[2].disabled = begin <= first + 1e-6;
    this.buttons[3].disabled = begin + wide >= last - 1e-6;
  }

  /** factor above 1 shows more time; the moment `about` keeps its place. */
  zoom(factor, about = (this.window[0] + this.window[1]) / 2) {
    const [from, to] = this.window;
    const wide = Math.min(this.all[1] - this.all[0], Math.max(NARROWEST, (to - from) * factor));
    const begin = about - ((about - from) / (to - from)) * wide;
    this.go(begin, begin + wide);
  }

  /** Move by a share of the window. */
  pan(share) {
    const [from, to] = this.window;
    this.go(from + share * (to - from), to + share * (to - from));
  }

  plan(pen, width) {
    const { overlay, look } = this;
    const left = width < 860 ? 112 : 138;
    const right = width - 12;
    const [from, to] = this.window;
    const x = (seconds) => left + ((seconds - from) / (to - from)) * (right - left);
    this.items = [];
    const perSecond = (right - left) / (to - from);
    this.sheet = { overlay, look, pen, left, right, from, to, x, perSecond, highlight: this.data.highlight ?? null, add: (item) => this.items.push(item) };
    this.sheet.seconds = (across) => from + (across - left) / perSecond;
    let top = stripRows(this.sheet) * 16 + 8;
    this.lanes = this.channels.map((channel) => {
      const lane = planTrace(this.sheet, channel, top);
      lane.quality = overlay.quality?.[channel.sensor] ?? null;
      top += lane.height + 8 + (lane.quality ? STRIP : 0);
      return lane;
    });
    this.bottom = Math.max(top - 4, 60);
    return this.bottom + AXIS + OVERVIEW;
  }

  paint(pen, width) {
    const { look, left, right, x, from, to, overlay } = this.sheet;
    const first = this.lanes[0]?.top ?? 0;
    const marks = ticks(from, to, overlay.zero_s, (to - from) / ((right - left) / 72));
    for (const lane of this.lanes) {
      pen.fillStyle = look.lane;
      pen.fillRect(left, lane.top, right - left, lane.height);
    }
    for (const mark of marks) rule(pen, x(mark.at), first, x(mark.at), this.bottom, look.line);
    for (const lane of this.lanes) paintTrace(this.sheet, lane);
    paintMarks(this.sheet, this.lanes, this.bottom);
    for (const lane of this.lanes) if (lane.quality) paintQuality(this.sheet, lane, lane.quality);
    paintStrip(this.sheet, this.lanes, this.bottom);
    pen.clearRect(right + 0.5, first - 2, width - right, this.bottom - first + 2);
    if (!this.lanes.length) write(pen, "No waveforms were recorded", left, 30, { colour: look.muted });
    rule(pen, left, this.bottom, right, this.bottom, look.faint);
    type(pen, look, 11);
    for (const mark of marks) write(pen, mark.text, x(mark.at), this.bottom + 11, { colour: look.muted, align: "center", left: left - 20, right: right + 12 });
    paintOverview(this.sheet, this.all, this.window, this.bottom + AXIS, OVERVIEW - 4);
    this.listSoon();
  }

  /** The list follows the window when it has come to rest. */
  listSoon() {
    clearTimeout(this.listing);
    this.listing = setTimeout(() => this.listEvents("Events in this window", eventLines(this.overlay, ...this.window)), 150);
  }

  close() {
    clearTimeout(this.listing);
    clearTimeout(this.hinting);
    this.editor.close();
    leave(this.data.case);
    super.close();
  }

  paintOver(pen) {
    if (this.editor.on) this.editor.paintOver(pen);
    if (!this.pointer) return;
    const { look, left, right } = this.sheet;
    const { x } = this.pointer;
    if (x < left || x > right || this.pointer.y > this.bottom + AXIS) return;
    rule(pen, x, this.lanes[0]?.top ?? 0, x, this.bottom, look.muted);
    this.paintMoment(pen, x, look.ink, look.back);
  }

  /** A moment's time on the axis, in a box under x. */
  paintMoment(pen, x, ground, ink, text = elapsed(this.sheet.seconds(x) - this.overlay.zero_s, 2)) {
    const { left, right, look } = this.sheet;
    type(pen, look, 11, 600);
    const wide = pen.measureText(text).width + 10;
    const box = Math.max(left - 20, Math.min(x - wide / 2, right + 12 - wide));
    pen.fillStyle = ground;
    pen.fillRect(box, this.bottom + 3, wide, 17);
    write(pen, text, box + 5, this.bottom + 12, { colour: ink });
  }

  hover(point) {
    this.pointer = point;
    this.requestOver();
    this.editor.hover(point);
    if (!point) return this.showTip(0, 0, "", []);
    const { left, right } = this.sheet;
    if (point.x < left || point.x > right || point.y > this.bottom) return this.showTip(0, 0, "", []);
    const seconds = this.sheet.seconds(point.x);
    const item = this.itemAt(point);
    const lane = this.lanes.find((one) => point.y >= one.top && point.y < one.top + one.height);
    const value = lane?.channel.at(seconds);
    const reading = value == null ? null : `${lane.channel.name}: ${value.toFixed(lane.decimals)} ${lane.channel.unit}`;
    const hours = clock(seconds, this.overlay.clock);
    const now = `${elapsed(seconds - this.overlay.zero_s, 2)}${hours ? ` (${hours})` : ""}`;
    return this.showTip(point.x, point.y, item ? item.title : now, [...(item ? [...item.lines, now] : []), reading]);
  }

  /** In the overview a click goes there, elsewhere it chooses the moment. */
  click(point) {
    if (point.y > this.bottom + AXIS) {
      const [from, to] = this.window;
      const middle = this.overviewSeconds(point.x);
      this.go(middle - (to - from) / 2, middle + (to - from) / 2);
    } else if (point.x < this.sheet.left || point.x > this.sheet.right) {
      return;
    } else if (this.editor.on) {
      this.editor.click(point);
    } else {
      this.trigger("moment", Math.round(this.sheet.seconds(point.x) * 1000) / 1000);
    }
  }

  overviewSeconds(across) {
    const { left, right } = this.sheet;
    return this.all[0] + ((across - left) / (right - left)) * (this.all[1] - this.all[0]);
  }

  /** What a press takes hold of: something of the editor's, the overview's box, or the window. */
  drag(from, here, phase) {
    if (phase === "begin") {
      const overview = from.y > this.bottom + AXIS;
      this.grip = { window: this.window, overview, edit: overview ? null : this.editor.grip(from) };
    }
    if (this.grip.edit) {
      this.pointer = null;
      this.showTip(0, 0, "", []);
      this.grip.edit(here, phase);
      return;
    }
    const [left, right] = [this.sheet.left, this.sheet.right];
    const width = this.grip.overview ? this.all[1] - this.all[0] : this.grip.window[0] - this.grip.window[1];
    const by = ((here.x - from.x) / (right - left)) * width;
    this.plot.classList.toggle("dragging", phase === "begin" || phase === "move");
    this.showTip(0, 0, "", []);
    this.pointer = null;
    if (phase !== "cancel") this.go(this.grip.window[0] + by, this.grip.window[1] + by);
  }

  /** The wheel zooms once the plot is in use; before that it scrolls the page, as the reader expects. */
  wheel(event, point) {
    if (!this.ready || !this.sheet) return;
    const inUse = event.ctrlKey || event.metaKey || this.plot.getRootNode().activeElement === this.plot;
    const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY);
    if (!inUse) {
      if (!sideways) this.showHint();
      return;
    }
    event.preventDefault();
    const unit = event.deltaMode === 1 ? 16 : 1;
    if (sideways || event.shiftKey) {
      this.pan((unit * (event.deltaX || event.deltaY)) / (this.sheet.right - this.sheet.left));
    } else {
      const about = Math.max(this.window[0], Math.min(this.window[1], this.sheet.seconds(point.x)));
      this.zoom(Math.exp(Math.max(-1, Math.min(1, unit * event.deltaY * 0.003))), about);
    }
  }

  /** A finger that rests begins a stretch. */
  holding() {
    if (this.editor.on) this.editor.say("Now draw a stretch");
  }

  showHint() {
    this.hint.classList.add("on");
    clearTimeout(this.hinting);
    this.hinting = setTimeout(() => this.hint.classList.remove("on"), 1400);
  }

  key(event) {
    if (!this.ready) return false;
    if (this.editor.on && this.editor.key(event)) return true;
    if (event.ctrlKey || event.metaKey || event.altKey) return false;
    const [from, to] = this.window;
    const acts = {
      ArrowLeft: () => this.pan(event.shiftKey ? -1 : -0.15),
      ArrowRight: () => this.pan(event.shiftKey ? 1 : 0.15),
      "+": () => this.zoom(1 / 1.6),
      "=": () => this.zoom(1 / 1.6),
      "-": () => this.zoom(1.6),
      Home: () => this.go(this.all[0], this.all[0] + to - from),
      End: () => this.go(this.all[1] - (to - from), this.all[1]),
      0: () => this.go(...this.all),
    };
    if (!(event.key in acts)) return false;
    acts[event.key]();
    return true;
  }
}
