// Times as people read them: minutes and seconds from the first compression, clock time beside it.

const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600];

/** 250.4 -> "4:10" or, with decimals = 1, "4:10.4"; before zero with a minus sign. */
export function elapsed(seconds, decimals = 0) {
  const unit = 10 ** decimals;
  const whole = Math.round(Math.abs(seconds) * unit);
  const rest = (whole % (60 * unit)) / unit;
  const sign = seconds < 0 && whole > 0 ? "−" : "";
  const shown = rest.toFixed(decimals).padStart(decimals ? 3 + decimals : 2, "0");
  return `${sign}${Math.floor(whole / (60 * unit))}:${shown}`;
}

/** Clock time of a moment of the case, "14:05:12"; empty where no file said what time it was. */
export function clock(seconds, start) {
  if (!start) return "";
  const moment = new Date(start.utc_ms + 1000 * (start.offset_s + seconds));
  return moment.toISOString().slice(11, 19);
}

/** "0:42" apart as words for a length: "42 s", "3.4 s", "2 min 5 s". */
export function length(seconds) {
  if (seconds < 10) return `${seconds.toFixed(1)} s`;
  if (seconds < 120) return `${Math.round(seconds)} s`;
  const whole = Math.round(seconds);
  return `${Math.floor(whole / 60)} min ${whole % 60} s`;
}

/** Round moments for an axis, at least `apart` seconds from each other, counted from zero. */
export function ticks(from, to, zero, apart) {
  const step = STEPS.find((one) => one >= apart) ?? STEPS[STEPS.length - 1] * Math.ceil(apart / STEPS[STEPS.length - 1]);
  const first = Math.ceil((from - zero) / step - 1e-9);
  const last = Math.floor((to - zero) / step + 1e-9);
  const made = [];
  for (let i = first; i <= last; i++) made.push({ at: zero + i * step, text: elapsed(i * step, step < 1 ? 1 : 0) });
  return made;
}

/** Round values for an upright axis, about `wanted` of them. */
export function levels(low, high, wanted) {
  const rough = (high - low) / wanted;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = power * [1, 2, 5, 10].find((one) => one * power >= rough * 0.999);
  const made = [];
  for (let value = Math.ceil(low / step) * step; value <= high + step * 1e-6; value += step) {
    made.push({ value: Math.abs(value) < step * 1e-6 ? 0 : value, text: value.toFixed(Math.max(0, -Math.floor(Math.log10(step)))) });
  }
  return made;
}
