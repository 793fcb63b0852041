// Under each view, where a person changed something: what the signs of the reviewer mean.

import { element } from "./element.js";
import { cross, hatch, mark, tick } from "./paint.js";

const SIDE = 18;

const SIGNS = [
  {
    words: "hollow, outlined or under a v: marked by a reviewer",
    there: (overlay) => anyPerson(overlay),
    paint: (pen, look) => {
      tick(pen, 9, 6, look.ink);
      mark(pen, "disc", 9, 12.5, 8, look.ink, look.back, true);
    },
  },
  {
    words: "crossed out: taken away or moved from here by a reviewer",
    there: (overlay) => overlay.corrections.some(leavesTrace),
    paint: (pen, look) => cross(pen, 9, 9, look.ink, 4.5),
  },
  {
    words: "crossed hatching: artefact, as a reviewer says",
    there: (overlay) => overlay.corrections.some((one) => one.subject === "artefact" && one.action !== "remove"),
    paint: (pen, look) => {
      hatch(pen, look, 1, 2, SIDE - 2, SIDE - 4, "crossed");
      pen.strokeStyle = look.muted;
      pen.strokeRect(1.5, 2.5, SIDE - 3, SIDE - 5);
    },
  },
];

/** Whether a correction leaves something crossed out behind. */
export function leavesTrace(correction) {
  return correction.action === "remove" || correction.action === "move";
}

function anyPerson({ compressions, ventilations, pauses, shocks, devices, rhythms, events, arrest_by: edges }) {
  if (compressions?.persons.length || ventilations?.persons.length) return true;
  if (edges.flat().some((number) => number !== null)) return true;
  return [pauses, shocks, devices, rhythms, events].some((rows) => rows?.some((row) => row.person));
}

/** Only the signs that the case has; without any, no legend. */
export function showLegend(place, overlay, look) {
  const shown = SIGNS.filter((sign) => sign.there(overlay));
  place.hidden = !shown.length;
  place.replaceChildren(
    ...shown.map((sign) => {
      const entry = element("span", "sign", sign.words);
      const canvas = element("canvas", "");
      canvas.setAttribute("aria-hidden", "true");
      canvas.width = canvas.height = Math.round(SIDE * look.ratio);
      const pen = canvas.getContext("2d");
      pen.scale(look.ratio, look.ratio);
      sign.paint(pen, look);
      entry.prepend(canvas);
      return entry;
    }),
  );
}
