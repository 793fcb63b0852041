// Entry of the component: bytes are a case to keep, anything else is a view to show. One module, so that all instances share cases.js.

import { accept } from "./cases.js";
import { CloseUp } from "./close_up.js";
import { Picture } from "./picture.js";
// What these import in turn, named here so that the browser asks for all of it at once.
import "./chest_lane.js";
import "./close_up_edit.js";
import "./close_up_keys.js";
import "./close_up_marks.js";
import "./close_up_over.js";
import "./close_up_tools.js";
import "./element.js";
import "./frame.js";
import "./legend.js";
import "./listing.js";
import "./outbox.js";
import "./overview.js";
import "./paint.js";
import "./picture_changes.js";
import "./picture_lanes.js";
import "./pyramid.js";
import "./quality_strip.js";
import "./reviewer_marks.js";
import "./shelf.js";
import "./things.js";
import "./time.js";
import "./trace.js";

const VIEWS = { picture: Picture, close_up: CloseUp };
const shown = new WeakMap(); // parent element -> view

/** Called by Streamlit on mount, on new data and on a change of theme; what it returns is called once, on unmount. */
export default function show({ data, parentElement, setTriggerValue }) {
  if (data instanceof Uint8Array) {
    accept(data);
    return undefined;
  }
  let view = shown.get(parentElement);
  if (!view) {
    view = new VIEWS[data.role](parentElement);
    shown.set(parentElement, view);
  }
  view.update(data, setTriggerValue);
  return () => {
    view.close();
    shown.delete(parentElement);
  };
}
