// What the browser holds of the cases it was sent, and the moment of talk between views of one case.

import { Channel } from "./pyramid.js";

const KEPT = 2; // cases in memory; the one untouched longest goes first
const cases = new Map(); // case key -> {channels, overlay, window, drawn}, in order of use
const listeners = new Set();

/** Take in one message of pack.py: header length, JSON header, 16-bit samples. */
export function accept(bytes) {
  const length = new DataView(bytes.buffer, bytes.byteOffset, 4).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(bytes.subarray(4, 4 + length)));
  const held = touch(header.case);
  if (header.kind === "overlay") {
    held.overlay = header;
  } else {
    // A copy stands on its own: aligned for 16 bits, and the message that brought it can be let go.
    const samples = new Int16Array(bytes.slice(4 + length).buffer);
    held.channels = header.channels.map((channel) => new Channel(channel, samples));
  }
  for (const listener of [...listeners]) listener({ kind: "data", case: header.case });
}

/** The case's channels and overlay, the window of its close-up and whether that is drawn; each may still be on its way. */
export function find(key) {
  return cases.get(key) ?? {};
}

/** Be told {kind: "data" | "look" | "window" | "drawn", case, …}. Returns the function that ends it. */
export function listen(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

/** "look" asks the close-up to move to a window; "window" tells where the close-up is, "drawn" that it is. from is the view that says so. */
export function tell(kind, key, window, from) {
  if (kind === "window" && cases.has(key)) cases.get(key).window = window;
  if (kind === "drawn" && cases.has(key)) cases.get(key).drawn = true;
  for (const listener of [...listeners]) if (listener !== from) listener({ kind, case: key, window });
}

/** The close-up shows the case no more. */
export function leave(key) {
  if (cases.has(key)) cases.get(key).drawn = false;
}

/** The case, made where it is new, now the last one used; cases beyond the limit are let go. */
function touch(key) {
  const held = cases.get(key) ?? { channels: null, overlay: null, window: null, drawn: false };
  cases.delete(key);
  cases.set(key, held);
  while (cases.size > KEPT) cases.delete(cases.keys().next().value);
  return held;
}
