// What the close-up tells Python. Streamlit keeps only the newest trigger of a component while a run is on, so corrections go one by
// one: the next leaves when Python has answered for the one before. Anything else that is told waits too, and only its newest counts.

const PATIENCE = 10_000; // ms without an answer after which the same goes again: the run that got it may have been broken off
const TRIES = 3; // after so many the next goes all the same

let last = 0;

/** A number no correction of this browser had before. */
function serial() {
  last = Math.max(last + 1, Date.now());
  return last;
}

export class Outbox {
  /** send(name, value) hands a trigger to Streamlit. */
  constructor(send) {
    this.send = send;
    this.waiting = [];
    this.flying = null;
    this.later = null;
  }

  /** A correction; answers its number. */
  edit(body) {
    const edit = { ...body, serial: serial() };
    this.waiting.push(edit);
    this.next();
    return edit.serial;
  }

  /** A moment, a stretch or something picked. */
  tell(name, value) {
    if (this.flying) this.later = [name, value];
    else this.send(name, value);
  }

  /** Python has taken in the correction of this number; answers whether it is the one that was on its way. */
  heard(number) {
    if (!this.flying || this.flying.serial !== number) return false;
    this.landed();
    return true;
  }

  landed() {
    clearTimeout(this.timer);
    this.flying = null;
    this.next();
    if (this.flying || !this.later) return;
    this.send(...this.later);
    this.later = null;
  }

  next() {
    if (this.flying || !this.waiting.length) return;
    this.flying = this.waiting.shift();
    this.go(1);
  }

  /** The correction that is on its way leaves, for the so many-th time; its number tells Python that it is the same. */
  go(time) {
    this.timer = setTimeout(() => (time < TRIES ? this.go(time + 1) : this.landed()), PATIENCE);
    this.send("edit", this.flying);
  }

  close() {
    clearTimeout(this.timer);
  }
}
