// The keys of the close-up: one list, from which keys are read and which the key list shows. Only while the plot has the focus.

/** How far the cursor steps [s]. */
export const STEP = 0.05;
export const LONG_STEP = 1;

/** subject -> what its button says, its key, and whether it needs a stretch, or is always a moment. */
export const ADDED = [
  { subject: "compression", name: "Compression", key: "c" },
  { subject: "ventilation", name: "Breath", key: "b" },
  { subject: "shock", name: "Shock", key: "s", moment: true },
  { subject: "rosc", name: "ROSC", key: "r", moment: true },
  { subject: "pause", name: "Pause", key: "p", stretch: true },
  { subject: "artefact", name: "Artefact", key: "a", stretch: true },
];

const step = (way) => (editor, event) => editor.step(way * (event.shiftKey ? LONG_STEP : STEP));

/** keys are those of KeyboardEvent.key; code is where the key sits, for signs that Shift changes on some keyboards. */
export const KEYS = [
  { shown: "← →", words: "move the window; with Shift by a whole window" },
  { shown: "+ −", words: "zoom in and out; 0 shows the whole case, Home and End go to its ends" },
  { shown: ",", code: "Comma", keys: [","], words: `step the cursor back by ${STEP} s, with Shift by ${LONG_STEP} s`, act: step(-1) },
  { shown: ".", code: "Period", keys: ["."], words: `step the cursor on by ${STEP} s, with Shift by ${LONG_STEP} s`, act: step(1) },
  { shown: "[", keys: ["["], words: "go to the mark before, and pick it", act: (editor) => editor.jump(-1) },
  { shown: "]", keys: ["]"], words: "go to the mark after, and pick it", act: (editor) => editor.jump(1) },
  { shown: "Enter", keys: ["Enter"], words: "begin a stretch at the cursor; again: end it", act: (editor) => editor.anchorHere() },
  ...ADDED.map(({ key, name, subject, stretch, moment }) => ({
    shown: key,
    keys: [key, key.toUpperCase()],
    words: `add ${name}: ${stretch ? "over the stretch" : moment ? "at the cursor" : "over the stretch, else at the cursor"}`,
    act: (editor) => editor.add(subject),
    edits: true,
  })),
  { shown: "m", keys: ["m", "M"], words: "move what is picked onto the stretch, else its nearer edge to the cursor", act: (editor) => editor.moveHere(), edits: true },
  { shown: "Delete or x", keys: ["Delete", "Backspace", "x", "X"], words: "take away what is picked", act: (editor) => editor.remove(), edits: true },
  { shown: "u", keys: ["u", "U"], words: "undo the last correction", act: (editor) => editor.undo(), edits: true },
  { shown: "Esc", keys: ["Escape"], words: "clear stretch, pick and cursor", act: (editor) => editor.clear() },
  { shown: "?", keys: ["?"], words: "show or hide this list", act: (editor) => editor.tools.toggleKeys() },
];

/** What a key press asks for, or undefined. Brackets are typed with other keys held down on some keyboards. */
export function askedBy(event) {
  if (event.metaKey || ((event.ctrlKey || event.altKey) && !"[]".includes(event.key))) return undefined;
  return KEYS.find((one) => one.keys?.includes(event.key) || (one.code && one.code === event.code));
}

/** The list in one sentence, for screen readers. */
export function keysInWords() {
  return `Keys: ${KEYS.map(({ shown, words }) => `${shown}: ${words}`).join("; ")}.`;
}
