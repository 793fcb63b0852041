// Corrections on the close-up: a cursor, a chosen stretch, something picked, and what is asked of Python with them.

import { isMarked } from "./close_up_marks.js";
import { ADDED, askedBy, keysInWords } from "./close_up_keys.js";
import { handleAt, paintEditing } from "./close_up_over.js";
import { Tools } from "./close_up_tools.js";
import { stretchWords } from "./listing.js";
import { Outbox } from "./outbox.js";
import { again, everything, firstFrom, saidOf } from "./things.js";
import { elapsed } from "./time.js";

const LEAST = 0.02; // seconds; the shortest stretch, and how near edges may come
const STILL = 1; // pixels that a handle must be drawn before it counts as moved
const FRESH = { cursor: null, stretch: null, anchor: null, picked: null };
const IDLE = "Click a mark to pick it, or the waveforms to set the cursor; drag with Shift or after Select for a stretch; ? lists the keys.";
const kept = new Map(); // case and view -> cursor and stretch, so that a view that comes back stands as it stood

const ms = (seconds) => Math.round(seconds * 1000) / 1000;

export class Editor {
  constructor(view) {
    this.view = view;
    this.on = this.editable = false;
    this.help = keysInWords();
    this.choosing = false; // whether a plain drag chooses a stretch
    this.moving = null; // {thing, start_s, end_s} while a handle is drawn
    this.asked = []; // corrections not yet answered: {serial, at}, at null for an undo
    this.things = [];
    this.request = this.news = ""; // the last correction in words, and what is said of it
    Object.assign(this, FRESH);
    this.outbox = new Outbox((name, value) => view.trigger(name, value));
    this.tools = new Tools({ choose: () => this.choose(), add: (subject) => this.add(subject), remove: () => this.remove(), undo: () => this.undo() });
    view.bar.after(...this.tools.parts);
  }

  /** Python's word on what may be done, and on the last correction it took in. */
  changed() {
    const { editable, locked, reasons, heard } = this.view.data;
    this.editable = Boolean(editable) && !locked;
    this.locked = locked || "";
    this.on = Boolean(editable || locked);
    this.tools.show({ on: this.on, editable: this.editable, reasons });
    this.enter();
    if (heard != null && this.outbox.heard(heard)) this.asked = this.asked.filter((one) => one.serial > heard);
    this.tellNow(this.news);
  }

  /** Another case, or this one again: as it was left. */
  enter() {
    if (this.entered === this.view.place) return;
    this.entered = this.view.place;
    Object.assign(this, FRESH, kept.get(this.view.place));
  }

  /** Another overlay: the same thing stays picked if it is still there. */
  arrived() {
    this.enter();
    this.things = everything(this.view.overlay);
    this.picked = again(this.things, this.picked);
    this.tellNow(this.asked.length ? `${this.request}: done` : this.news);
    this.asked = [];
  }

  get place() {
    return this.cursor ?? this.stretch?.[0] ?? (this.view.window[0] + this.view.window[1]) / 2;
  }

  /** Say what stands now, after the news of a correction, and draw it. */
  tellNow(news = "") {
    this.news = news;
    if (!this.on || !this.view.overlay) return;
    this.tools.enable({ moment: this.cursor !== null, stretch: this.stretch, picked: this.picked });
    kept.set(this.view.place, { cursor: this.cursor, stretch: this.stretch });
    this.view.requestOver();
    this.say(this.words());
  }

  words() {
    const { overlay } = this.view;
    const parts = this.news ? [this.news] : [];
    if (this.locked) parts.push(`Not open for corrections: ${this.locked}`);
    if (this.stretch) parts.push(`Stretch ${stretchWords(overlay, this.stretch)}`);
    if (this.picked) {
      const said = saidOf(overlay, this.picked);
      parts.push(`Picked: ${this.picked.words} at ${this.time(this.picked.start_s)}${said ? `, ${said}` : ""}`);
    }
    const own = this.picked?.end_s === null && this.picked.start_s === this.cursor && this.anchor === null;
    if (this.cursor !== null && !own) parts.push(`Cursor at ${this.time(this.cursor)}${this.anchor === null ? "" : ", stretch begun"}`);
    return parts.length ? parts.join(" · ") : IDLE;
  }

  time(seconds) {
    return elapsed(seconds - this.view.overlay.zero_s, 2);
  }

  say(text) {
    this.tools.say(text);
  }

  /** Whether a plain drag chooses a stretch. */
  choose(on = !this.choosing) {
    this.choosing = on;
    this.tools.pressSelect(on);
    this.view.plot.classList.toggle("choosing", on);
  }

  /** A click sets the cursor and picks what it hits. */
  click(point) {
    const handle = handleAt(this.view, this, point);
    const item = this.view.itemAt(point, (one) => one.thing);
    this.anchor = null;
    this.cursor = handle ? handle.thing[handle.edge] : ms(this.view.sheet.seconds(point.x));
    if (handle) return this.tellNow();
    if (item) return this.pick(item.thing);
    this.picked = null;
    this.tellNow();
    return this.outbox.tell("moment", this.cursor);
  }

  pick(thing) {
    this.picked = again(this.things, thing) ?? thing;
    if (thing.end_s === null) this.cursor = thing.start_s;
    this.tellNow();
    this.outbox.tell("picked", forPython(thing));
  }

  hover(point) {
    const { view } = this;
    const handle = this.on && point && handleAt(view, this, point);
    const over = this.on && point && !handle && view.itemAt(point, (one) => one.thing);
    view.plot.classList.toggle("handle", Boolean(handle));
    view.plot.classList.toggle("pickable", Boolean(over));
  }

  /** What a drag from a point does here; null leaves it to the window. */
  grip(from) {
    if (!this.on) return null;
    const handle = handleAt(this.view, this, from);
    if (handle) return (here, phase) => this.dragHandle(handle, here, phase);
    if (this.choosing || from.shift || from.held) return (here, phase) => this.dragStretch(from, here, phase);
    return null;
  }

  secondsAt(x) {
    const { left, right, seconds } = this.view.sheet;
    return ms(seconds(Math.max(left, Math.min(right, x))));
  }

  dragStretch(from, here, phase) {
    if (phase === "begin") this.begun = { at: this.secondsAt(from.x), before: this.stretch };
    this.anchor = null;
    this.stretch = phase === "cancel" ? this.begun.before : ordered(this.begun.at, this.secondsAt(here.x));
    if (phase === "end" || phase === "cancel") this.settle(phase === "end" && this.stretch);
    else this.view.requestOver();
  }

  /** A chosen stretch stands; Python hears of it. */
  settle(stretch) {
    this.tellNow();
    if (stretch) this.outbox.tell("stretch", stretch);
  }

  dragHandle({ thing, edge, x }, here, phase) {
    this.moving = phase === "cancel" ? null : { thing, ...placed(thing, edge, this.secondsAt(here.x)) };
    if (phase === "end") {
      const { start_s: start, end_s: end } = this.moving;
      this.moving = null;
      if (Math.abs(here.x - x) > STILL) this.moveTo(start, end);
    }
    this.view.requestOver();
  }

  step(by) {
    this.goTo(ms(this.cursor === null ? this.place : this.cursor + by));
    this.tellNow();
  }

  /** Set the cursor, bringing it into view. */
  goTo(seconds) {
    const { window: [from, to], all } = this.view;
    this.cursor = Math.max(all[0], Math.min(all[1], seconds));
    if (this.cursor < from || this.cursor > to) this.view.go(this.cursor - (to - from) / 2, this.cursor + (to - from) / 2);
    if (this.anchor !== null) this.stretch = ordered(this.anchor, this.cursor);
  }

  /** To the mark before or after, and pick it; marks that this zoom does not draw are passed over. */
  jump(way) {
    const { things, view: { sheet, window: [from, to] } } = this;
    const perSecond = (sheet.right - sheet.left) / (to - from); // of the window as it will be drawn next
    const now = this.cursor ?? this.place;
    const own = things.findIndex((one) => one.thing === this.picked && Math.abs(one.at - now) < 1e-6);
    const first = firstFrom(things.length, (at) => things[at].at, now);
    let at = own >= 0 ? own + way : way > 0 ? first : first - 1;
    while (things[at] && !isMarked(things[at].thing.subject, perSecond)) at += way;
    if (!things[at]) return this.say(way > 0 ? "No mark after this one" : "No mark before this one");
    this.goTo(things[at].at);
    this.picked = things[at].thing;
    this.tellNow();
    return this.outbox.tell("picked", forPython(this.picked));
  }

  /** Begin a stretch at the cursor, or end it there. */
  anchorHere() {
    if (this.cursor === null) return this.step(0);
    if (this.anchor === null) {
      this.anchor = this.cursor;
      this.stretch = null;
      return this.tellNow();
    }
    this.stretch = ordered(this.anchor, this.cursor);
    this.anchor = null;
    return this.settle(this.stretch);
  }

  /** Add over the stretch, else at the cursor. */
  add(subject) {
    const { name, stretch: lasting, moment } = ADDED.find((one) => one.subject === subject);
    if (lasting && !this.stretch) return this.say(`${name} needs a stretch: drag with Shift, or press Enter at both its ends`);
    if (!this.stretch && this.cursor === null) return this.say("Set the cursor first: click the waveforms, or press , or .");
    const [start, end] = moment || !this.stretch ? [this.cursor ?? this.stretch[0], null] : this.stretch;
    return this.ask({ act: "add", subject, start_s: start, end_s: end }, `${name} at ${this.time(start)}`);
  }

  remove() {
    if (!this.picked) return this.say("Pick a mark first: click it, or press [ or ]");
    const { words, start_s: start } = this.picked;
    const body = { act: "remove", ...forEdit(this.picked) };
    this.picked = null;
    return this.ask(body, `Taking away ${words} at ${this.time(start)}`);
  }

  undo() {
    this.ask({ act: "undo", subject: "", start_s: null, end_s: null }, "Undo");
  }

  /** The picked thing onto the stretch, else its nearer edge to the cursor. */
  moveHere() {
    const { picked, stretch, cursor } = this;
    if (!picked) return this.say("Pick a mark first: click it, or press [ or ]");
    if (stretch && picked.end_s !== null) return this.moveTo(...stretch);
    if (stretch || cursor === null) return this.say("Set the cursor where it shall go first");
    const nearer = picked.end_s !== null && Math.abs(picked.end_s - cursor) < Math.abs(picked.start_s - cursor) ? "end_s" : "start_s";
    const { start_s: start, end_s: end } = placed(picked, nearer, cursor);
    return this.moveTo(start, end);
  }

  moveTo(start, end) {
    const { picked } = this;
    if (start === picked.start_s && end === picked.end_s) return this.say("It is there already");
    const body = { act: "move", ...forEdit(picked), to_start_s: start, to_end_s: end };
    this.picked = { ...picked, start_s: start, end_s: end };
    if (end === null) this.cursor = start;
    return this.ask(body, `Moving ${picked.words} to ${this.time(start)}`);
  }

  /** Send one correction with the reason chosen for it. */
  ask(body, words) {
    if (!this.editable) return this.say(`Not open for corrections${this.locked ? `: ${this.locked}` : ""}`);
    const why = this.tools.takeReason();
    const at = body.to_start_s ?? body.start_s;
    const serial = this.outbox.edit(why ? { ...body, why } : body);
    this.asked.push({ serial, at });
    this.request = words;
    return this.tellNow(`${words}: asked for`);
  }

  clear() {
    if (this.view.grip?.edit && this.view.letGo()?.moved) this.view.grip.edit(null, "cancel");
    Object.assign(this, FRESH);
    this.tools.toggleKeys(false);
    this.tellNow();
  }

  key(event) {
    const asked = askedBy(event);
    if (!asked?.act || !this.view.sheet) return false;
    if (asked.edits && !this.editable) this.say(`Not open for corrections: ${this.locked}`);
    else asked.act(this, event);
    return true;
  }

  paintOver(pen) {
    paintEditing(pen, this.view, this);
  }

  close() {
    this.outbox.close();
  }
}

function ordered(one, other) {
  const [from, to] = one < other ? [one, other] : [other, one];
  return to - from < LEAST ? null : [from, to];
}

/** Where a thing is once one edge of it has been drawn to a moment; an edge does not pass the other. */
function placed(thing, edge, to) {
  if (thing.end_s === null) return { start_s: to, end_s: null };
  if (edge === "start_s") return { start_s: Math.min(to, ms(thing.end_s - LEAST)), end_s: thing.end_s };
  return { start_s: thing.start_s, end_s: Math.max(to, ms(thing.start_s + LEAST)) };
}

/** A picked thing as Python gets it; what it has not is left out. */
function forPython({ subject, start_s, end_s, words, person, value, number }) {
  const told = { subject, start_s, end_s, words, person };
  if (value !== null) told.value = value;
  if (number !== null) told.number = number;
  return told;
}

/** What a correction says of the thing it is about. */
function forEdit({ subject, start_s, end_s, value, number }) {
  const told = { subject, start_s, end_s };
  if (value !== null) told.value = value;
  if (number !== null) told.number = number;
  return told;
}
