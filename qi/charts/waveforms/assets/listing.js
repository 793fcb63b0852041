// The case in sentences, in order of time, for those who hear the page.

import { elapsed, length } from "./time.js";

/** One line for each listed pause, shock, device, rhythm and event between two moments. */
export function eventLines(overlay, from, to) {
  const lines = [];
  const add = (time, text) => time >= from && time <= to && lines.push([time, `${elapsed(time - overlay.zero_s)} ${text}`]);
  overlay.arrest_s.forEach(([begin, end]) => {
    add(begin, "Arrest begins");
    add(end, "Arrest ends");
  });
  for (const [begin, end] of overlay.unknown_s) add(begin, `Chest not seen for ${length(end - begin)}`);
  for (const pause of overlay.pauses ?? []) {
    if (pause.listed) add(pause.start_s, `Pause of ${length(pause.end_s - pause.start_s)}, cause: ${pause.cause || "unknown"}`);
  }
  for (const shock of overlay.shocks ?? []) add(shock.time_s, shock.words);
  for (const rhythm of overlay.rhythms ?? []) add(rhythm.start_s, `Rhythm: ${rhythm.words}`);
  for (const device of overlay.devices ?? []) {
    add(device.on_s, `${device.words} on`);
    if (device.off_s !== null) add(device.off_s, `${device.words} off`);
  }
  for (const event of overlay.events ?? []) add(event.time_s, event.words);
  return lines.sort((one, other) => one[0] - other[0]).map(([, text]) => text);
}
