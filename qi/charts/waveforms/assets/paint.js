// Colours from the page's theme, and the few marks that both views draw.

const probe = document.createElement("canvas").getContext("2d");

/** A CSS colour as [red, green, blue]. */
function channels(colour) {
  probe.fillStyle = "#808080";
  probe.fillStyle = colour;
  const read = probe.fillStyle;
  if (read.startsWith("#")) return [1, 3, 5].map((at) => parseInt(read.slice(at, at + 2), 16));
  return read.match(/[\d.]+/g).slice(0, 3).map(Number);
}

/** share of one colour in another, solid. */
export function mix(colour, ground, share) {
  const [over, under] = [channels(colour), channels(ground)];
  return `rgb(${over.map((part, at) => Math.round(part * share + under[at] * (1 - share))).join(" ")})`;
}

/** What the theme says now, read from the custom properties that Streamlit sets around the component. */
export function theme(element, accents) {
  const style = getComputedStyle(element);
  const read = (name, otherwise) => style.getPropertyValue(name).trim() || otherwise;
  const back = read("--st-background-color", "#ffffff");
  const ink = read("--st-text-color", "#222222");
  const [red, green, blue] = channels(back);
  const dark = 0.2126 * red + 0.7152 * green + 0.0722 * blue < 110;
  const of = (meaning) => (accents[meaning] ?? accents.other)[dark ? "dark" : "light"];
  return {
    ink,
    back,
    dark,
    ratio: window.devicePixelRatio || 1,
    of,
    muted: mix(ink, back, 0.72),
    faint: mix(ink, back, 0.42),
    line: mix(ink, back, dark ? 0.2 : 0.14),
    lane: mix(ink, back, dark ? 0.075 : 0.04),
    select: read("--st-primary-color", "#7048c8"),
    font: style.fontFamily || "sans-serif",
  };
}

/** A canvas sized for the screen's own pixels; its context draws in CSS pixels. Answers false where the size stayed. */
export function fit(canvas, width, height) {
  const ratio = window.devicePixelRatio || 1;
  const [wide, high] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width === wide && canvas.height === high) return false;
  canvas.width = wide;
  canvas.height = high;
  canvas.style.width = `${width}px`;
  canvas.style.height = `${height}px`;
  canvas.getContext("2d").setTransform(ratio, 0, 0, ratio, 0, 0);
  return true;
}

/** Set the type: size in px, weight 400 or 600. */
export function type(pen, look, size, weight = 400) {
  pen.font = `${weight} ${size}px ${look.font}`;
}

/** One line of text, kept within [left, right]; cut with … only where even the whole width is too little. */
export function write(pen, text, x, y, { colour, align = "left", left = -Infinity, right = Infinity, halo = null }) {
  const shown = shorten(pen, text, right - left);
  const width = pen.measureText(shown).width;
  const start = align === "center" ? x - width / 2 : align === "right" ? x - width : x;
  const at = Math.max(left, Math.min(start, right - width));
  pen.textAlign = "left";
  pen.textBaseline = "middle";
  if (halo) {
    pen.strokeStyle = halo;
    pen.lineWidth = 3;
    pen.lineJoin = "round";
    pen.strokeText(shown, at, y);
  }
  pen.fillStyle = colour;
  pen.fillText(shown, at, y);
  return [at, at + width];
}

/** The text, or as much of it as fits with … at its end. */
export function shorten(pen, text, room) {
  if (!Number.isFinite(room) || pen.measureText(text).width <= room) return text;
  let kept = text;
  while (kept.length > 1 && pen.measureText(`${kept}…`).width > room) kept = kept.slice(0, -1);
  return `${kept.trimEnd()}…`;
}

/** Words broken into lines no wider than room. */
export function wrap(pen, text, room) {
  const lines = [];
  for (const word of text.split(" ")) {
    const longer = lines.length ? `${lines[lines.length - 1]} ${word}` : word;
    if (lines.length && pen.measureText(longer).width <= room) lines[lines.length - 1] = longer;
    else lines.push(word);
  }
  return lines;
}

/** Slanted lines: time about which nothing is known. Crossed lines, see-through: a stretch that a reviewer calls artefact. */
export function hatch(pen, look, x, y, width, height, kind = "slanted") {
  if (width < 1) return;
  look.hatching ??= {};
  look.hatching[kind] ??= hatching(look, kind === "crossed");
  look.hatching[kind].setTransform(new DOMMatrix().scale(1 / look.ratio));
  pen.fillStyle = look.hatching[kind];
  pen.fillRect(x, y, width, height);
}

/** A tile of the hatching, made once for a theme, as fine as the screen. */
function hatching(look, crossed) {
  const tile = document.createElement("canvas");
  const side = Math.round((crossed ? 14 : 7) * look.ratio);
  tile.width = side;
  tile.height = side;
  const pen = tile.getContext("2d");
  pen.fillStyle = look.back;
  if (!crossed) pen.fillRect(0, 0, side, side);
  pen.strokeStyle = look.faint;
  pen.lineWidth = look.ratio * 0.8;
  pen.beginPath();
  for (const shift of [-side, 0, side]) {
    pen.moveTo(shift - 1, side + 1);
    pen.lineTo(shift + side + 1, -1);
    if (!crossed) continue;
    pen.moveTo(shift - 1, -1);
    pen.lineTo(shift + side + 1, side + 1);
  }
  pen.stroke();
  return pen.createPattern(tile, "repeat");
}

/** A mark of one of the shapes diamond, triangle, square, disc, ring, bar, start, end, about its middle; hollow: a person's. */
export function mark(pen, shape, x, y, size, colour, ground, hollow = false) {
  if (shape === "start" || shape === "end") return edgeMark(pen, shape === "start" ? 1 : -1, x, y, size, colour);
  const half = size / 2;
  const open = hollow || shape === "ring";
  pen.beginPath();
  if (shape === "diamond") {
    polygon(pen, [[x, y - half * 1.25], [x + half, y], [x, y + half * 1.25], [x - half, y]]);
  } else if (shape === "triangle") {
    polygon(pen, [[x - half, y - half * 0.8], [x + half, y - half * 0.8], [x, y + half * 0.9]]);
  } else if (shape === "square") {
    pen.rect(x - half * 0.85, y - half * 0.85, size * 0.85, size * 0.85);
  } else if (shape === "bar") {
    pen.rect(x - (hollow ? 2.5 : 1), y - half, hollow ? 5 : 2, size);
  } else {
    pen.arc(x, y, half * 0.9, 0, 7);
  }
  pen.fillStyle = open ? ground : colour;
  pen.fill();
  pen.strokeStyle = open ? colour : ground;
  pen.lineWidth = open ? 2 : 1;
  if (shape !== "bar" || hollow) pen.stroke();
  if (shape !== "ring" || !hollow) return;
  pen.fillStyle = colour; // a person's ring has a dot, as it is hollow already
  pen.fillRect(x - 1.5, y - 1.5, 3, 3);
}

/** A bracket that opens or closes: where an arrest starts or ends. */
function edgeMark(pen, way, x, y, size, colour) {
  const half = size / 2;
  stroke(pen, [[x + way * half, y - half], [x, y - half], [x, y + half], [x + way * half, y + half]], colour, 2);
}

/** The sign for "a reviewer put this here": a small v whose tip, at (x, y), points down at it. */
export function tick(pen, x, y, colour, size = 5) {
  stroke(pen, [[x - size * 0.8, y - size], [x, y], [x + size * 0.8, y - size]], colour, 1.75);
}

/** A broken outline about what a reviewer put there. */
export function outline(pen, x, y, width, height, colour) {
  pen.setLineDash([3, 2]);
  pen.strokeStyle = colour;
  pen.lineWidth = 1;
  pen.strokeRect(Math.round(x) + 0.5, Math.round(y) + 0.5, Math.round(width), Math.round(height));
  pen.setLineDash([]);
}

/** The sign for "a reviewer took this away". */
export function cross(pen, x, y, colour, size = 4) {
  stroke(pen, [[x - size, y - size], [x + size, y + size]], colour, 1.5);
  stroke(pen, [[x - size, y + size], [x + size, y - size]], colour, 1.5);
}

/** An open line through points. */
function stroke(pen, points, colour, width) {
  pen.beginPath();
  points.forEach(([x, y], at) => (at ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.stroke();
}

function polygon(pen, points) {
  points.forEach(([x, y], at) => (at ? pen.lineTo(x, y) : pen.moveTo(x, y)));
  pen.closePath();
}

/** A thin line on whole pixels, upright or level, dashed where asked. */
export function rule(pen, x0, y0, x1, y1, colour, dash = []) {
  const ratio = window.devicePixelRatio || 1;
  const snap = (value) => (Math.floor(value * ratio) + 0.5) / ratio;
  pen.beginPath();
  pen.setLineDash(dash);
  pen.strokeStyle = colour;
  pen.lineWidth = 1;
  pen.moveTo(x0 === x1 ? snap(x0) : x0, y0 === y1 ? snap(y0) : y0);
  pen.lineTo(x0 === x1 ? snap(x1) : x1, y0 === y1 ? snap(y1) : y1);
  pen.stroke();
  pen.setLineDash([]);
}
