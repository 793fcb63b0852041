// The row of tools over the close-up, the line that says what was picked, chosen or asked for, and the list of keys.

import { ADDED, KEYS } from "./close_up_keys.js";
import { button, element } from "./element.js";

export class Tools {
  /** acts: choose(), add(subject), remove(), undo(). */
  constructor(acts) {
    this.row = element("div", "tools");
    this.row.setAttribute("role", "group");
    this.row.setAttribute("aria-label", "Corrections");
    this.select = button("Select", "Select a stretch by dragging", () => acts.choose());
    this.select.setAttribute("aria-pressed", "false");
    this.adding = ADDED.map((one) => button(one.name, `Add: ${one.name} (${one.key})`, () => acts.add(one.subject)));
    this.removing = button("Take away", "Take away what is picked (Delete)", () => acts.remove());
    this.undoing = button("Undo", "Undo the last correction (u)", () => acts.undo());
    this.asking = button("?", "Keys", () => this.toggleKeys(), "asking");
    this.asking.setAttribute("aria-expanded", "false");
    this.why = element("select", "why");
    this.why.setAttribute("aria-label", "Why, for the next correction");
    this.editing = element("div", "editing");
    this.editing.append(element("span", "label", "Add"), ...this.adding, element("span", "label", ""), this.removing, this.undoing, this.why);
    this.row.append(this.select, this.editing, this.asking);
    this.told = element("p", "told");
    this.told.setAttribute("role", "status");
    this.keys = this.keyList();
    this.parts = [this.row, this.keys, this.told];
    this.show({ on: false });
  }

  keyList() {
    const list = element("dl", "keys");
    list.hidden = true;
    list.setAttribute("aria-label", "Keys of the close-up, while it has the focus");
    for (const { shown, words } of KEYS) {
      const entry = element("div", "");
      entry.append(element("dt", "", shown), element("dd", "", words));
      list.append(entry);
    }
    return list;
  }

  toggleKeys(open = this.keys.hidden) {
    this.keys.hidden = !open;
    this.asking.setAttribute("aria-expanded", String(open));
  }

  /** on: whether there are tools at all; editable: whether corrections are open; reasons: what may be given as the reason. */
  show({ on, editable = false, reasons = [] }) {
    this.row.hidden = this.told.hidden = !on;
    if (!on) this.toggleKeys(false);
    this.editing.hidden = !editable;
    this.why.hidden = !reasons.length;
    if (String(reasons) === this.reasons) return;
    this.reasons = String(reasons);
    this.why.replaceChildren(...["", ...reasons].map((reason) => {
      const option = element("option", "", reason || "Why (may be left out)");
      option.value = reason;
      return option;
    }));
  }

  /** What can be done now. */
  enable({ moment, stretch, picked }) {
    this.adding.forEach((one, at) => (one.disabled = ADDED[at].stretch ? !stretch : !moment && !stretch));
    this.removing.disabled = !picked;
  }

  pressSelect(pressed) {
    this.select.setAttribute("aria-pressed", String(pressed));
  }

  /** The reason chosen for the next correction; it counts once. */
  takeReason() {
    const reason = this.why.value;
    this.why.value = "";
    return reason;
  }

  say(text) {
    if (this.told.textContent === text) return;
    this.told.textContent = text;
    this.told.title = text;
  }
}
