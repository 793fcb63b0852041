// Entry of the component: bytes are a case to keep, anything else is a view to show. One module, so that all instances share cases.js.

import { accept } from "./cases.js";
import { CloseUp } from "./close_up.js";
import { Picture } from "./picture.js";

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
