// What both views share: their elements, sizes, pointer and keys, the hover tip and the words for screen readers.

import { find, listen } from "./cases.js";
import { element } from "./element.js";
import { showLegend } from "./legend.js";
import { fit, theme } from "./paint.js";

const LONG_PRESS = 500; // ms that a finger rests before it chooses a stretch instead of moving the window

/**
 * A view draws itself in three methods of its own: `plan(pen, width)` answers the height, `paint(pen, width, height)` draws the
 * picture, `paintOver(pen, width, height)` what follows the pointer. And it may take: hover, click, drag, holding, wheel, key, heard, drawn
 * (once for each case).
 */
export class Frame {
  constructor(parent, { name, help }) {
    this.root = element("div", `frame ${name}`);
    this.bar = element("div", "bar");
    this.range = element("p", "range");
    this.range.setAttribute("aria-live", "polite");
    this.plot = element("div", "plot");
    this.plot.tabIndex = 0;
    this.plot.setAttribute("role", "application");
    this.plot.setAttribute("aria-describedby", "help");
    this.base = element("canvas", "base");
    this.over = element("canvas", "over");
    for (const canvas of [this.base, this.over]) canvas.setAttribute("aria-hidden", "true");
    this.tip = element("div", "tip");
    this.tip.setAttribute("aria-hidden", "true");
    this.tip.hidden = true;
    this.waiting = element("p", "waiting", "Waiting for the recording …");
    this.help = element("p", "unseen", help);
    this.help.id = "help";
    this.list = element("ol", "unseen events");
    this.legend = element("p", "legend");
    this.legend.hidden = true;
    this.bar.append(this.range);
    this.plot.append(this.base, this.over, this.tip, this.waiting);
    this.root.append(this.bar, this.plot, this.legend, this.help, this.list);
    parent.append(this.root);
    this.data = {};
    this.items = []; // what the last frame marked: {x0, x1, y0, y1, title, lines, …}
    this.look = null;
    this.asked = 0;
    this.stale = true;
    this.pressed = null;
    this.listenToPointer();
    this.plot.addEventListener("keydown", (event) => {
      if (!this.key?.(event)) return;
      event.preventDefault();
      event.stopPropagation(); // the page has letters of its own
    });
    this.sizes = new ResizeObserver(() => this.request());
    this.sizes.observe(this.root);
    this.unlisten = listen((message) => {
      if (message.case !== this.data.case) return;
      if (message.kind === "data") this.refresh();
      else this.heard?.(message);
    });
  }

  /** New data or a new theme from Streamlit. */
  update(data, trigger) {
    const before = this.data;
    this.data = data;
    this.trigger = trigger;
    if (before.case !== data.case) this.window = null; // another case starts afresh
    this.refresh();
    this.changed?.(before);
  }

  /** Look again at what is held of the case, then draw. */
  refresh() {
    const { overlay, channels } = find(this.data.case);
    if (overlay !== this.overlay || channels !== this.channels) {
      this.overlay = overlay ?? null;
      this.channels = channels ?? null;
      if (this.overlay) this.arrived?.();
    }
    this.look = this.overlay ? theme(this.root, this.overlay.colours) : null;
    if (this.overlay) showLegend(this.legend, this.overlay, this.look);
    this.request();
  }

  close() {
    this.sizes.disconnect();
    this.unlisten();
    cancelAnimationFrame(this.asked);
    clearTimeout(this.saying);
    clearTimeout(this.longPress);
    this.root.remove();
  }

  /** Draw the whole picture in the next frame. */
  request() {
    this.stale = true;
    this.requestOver();
  }

  /** Draw at least what follows the pointer in the next frame. */
  requestOver() {
    if (!this.asked) this.asked = requestAnimationFrame(() => this.frame());
  }

  get ready() {
    return Boolean(this.overlay);
  }

  frame() {
    this.asked = 0;
    const width = Math.floor(this.root.clientWidth);
    this.waiting.hidden = this.ready;
    if (!this.ready || width < 50) return;
    const began = performance.now();
    if (this.stale) {
      const height = this.plan(this.base.getContext("2d"), width);
      const sized = [this.base, this.over].map((canvas) => fit(canvas, width, height));
      if (sized.includes(true)) this.plot.style.height = `${height}px`;
      const pen = this.base.getContext("2d");
      pen.clearRect(0, 0, width, height);
      this.paint(pen, width, height);
      this.size = { width, height };
      this.stale = false;
      this.root.dataset.frameMs = (performance.now() - began).toFixed(2);
      this.root.dataset.frames = String(Number(this.root.dataset.frames ?? 0) + 1);
    }
    const pen = this.over.getContext("2d");
    pen.clearRect(0, 0, this.size.width, this.size.height);
    this.paintOver(pen, this.size.width, this.size.height);
    this.root.dataset.ready = "true";
    if (this.drawnCase !== this.data.case) {
      this.drawnCase = this.data.case;
      this.drawn?.();
    }
  }

  /** Say the range in view, for eyes at once, for screen readers when it has settled. */
  say(text) {
    clearTimeout(this.saying);
    this.saying = setTimeout(() => {
      if (this.range.textContent !== text) this.range.textContent = text;
    }, 120);
  }

  /** The list that screen readers walk through: one line of text each. */
  listEvents(label, lines) {
    this.list.setAttribute("aria-label", label);
    this.list.replaceChildren(...lines.map((line) => element("li", "", line)));
  }

  /** The smallest marked thing under a point, of equals the nearest; null where there is none. */
  itemAt({ x, y }, wanted = () => true) {
    const hit = this.items.filter((item) => x >= item.x0 - 3 && x <= item.x1 + 3 && y >= item.y0 - 2 && y <= item.y1 + 2 && wanted(item));
    const wide = (item) => (item.first ? 0 : Math.round(item.x1 - item.x0));
    const away = (item) => Math.abs((item.x0 + item.x1) / 2 - x);
    return hit.sort((one, other) => wide(one) - wide(other) || away(one) - away(other))[0] ?? null;
  }

  /** Show the tip beside a point of the plot; without lines, hide it. */
  showTip(x, y, title, lines) {
    this.tip.hidden = !title;
    if (!title) return;
    const head = element("strong", "", title);
    this.tip.replaceChildren(head, ...lines.filter(Boolean).map((line) => element("span", "", line)));
    const { offsetWidth: wide, offsetHeight: high } = this.tip;
    const left = x + 14 + wide > this.size.width ? x - 14 - wide : x + 14;
    const top = Math.min(y + 12, this.size.height - high - 2);
    this.tip.style.transform = `translate(${Math.max(0, Math.round(left))}px, ${Math.max(0, Math.round(top))}px)`;
  }

  listenToPointer() {
    const plot = this.plot;
    const at = (event) => {
      const box = plot.getBoundingClientRect();
      return { x: event.clientX - box.left, y: event.clientY - box.top };
    };
    plot.addEventListener("pointerdown", (event) => {
      if (event.button !== 0 || !this.size) return;
      const touch = event.pointerType !== "mouse";
      this.pressed = { ...at(event), moved: false, shift: event.shiftKey, touch, held: false };
      plot.setPointerCapture(event.pointerId);
      if (touch) this.longPress = setTimeout(() => this.hold(), LONG_PRESS);
    });
    plot.addEventListener("pointermove", (event) => {
      if (!this.size) return;
      const here = at(event);
      if (this.pressed && (this.pressed.moved || Math.abs(here.x - this.pressed.x) > 4)) {
        const first = !this.pressed.moved;
        this.pressed.moved = true;
        this.drag?.(this.pressed, here, first ? "begin" : "move");
      } else if (!this.pressed) {
        this.hover?.(here);
      }
    });
    plot.addEventListener("pointerup", (event) => {
      const pressed = this.letGo();
      if (!pressed) return;
      if (pressed.moved) this.drag?.(pressed, at(event), "end");
      else this.click?.(at(event), pressed);
    });
    plot.addEventListener("pointercancel", () => {
      const pressed = this.letGo();
      if (pressed?.moved) this.drag?.(pressed, pressed, "cancel");
      this.hover?.(null);
    });
    plot.addEventListener("pointerleave", () => !this.pressed && this.hover?.(null));
    plot.addEventListener("wheel", (event) => this.wheel?.(event, at(event)), { passive: false });
    plot.addEventListener("contextmenu", (event) => this.pressed?.held && event.preventDefault());
  }

  /** A finger or pen that rested: what it draws next is a stretch. */
  hold() {
    if (!this.pressed || this.pressed.moved) return;
    this.pressed.held = true;
    this.holding?.(this.pressed);
  }

  /** The end of a press; answers what it was. */
  letGo() {
    const pressed = this.pressed;
    this.pressed = null;
    clearTimeout(this.longPress);
    return pressed;
  }
}
