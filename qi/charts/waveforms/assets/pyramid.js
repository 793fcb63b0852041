// Samples of one channel with lowest and highest value at ever coarser steps, so that any zoom is drawn from few numbers.

const FACTOR = 8;

/** Coarser levels of one piece: level k holds [lowest, highest] of each run of FACTOR^k samples. Level 0 is the samples. */
function levels(samples) {
  const made = [];
  let low = samples;
  let high = samples;
  while (low.length > 2 * FACTOR) {
    const blocks = Math.ceil(low.length / FACTOR);
    const lows = new Int16Array(blocks);
    const highs = new Int16Array(blocks);
    for (let block = 0; block < blocks; block++) {
      const end = Math.min((block + 1) * FACTOR, low.length);
      let least = 32767;
      let most = -32768;
      for (let at = block * FACTOR; at < end; at++) {
        if (low[at] < least) least = low[at];
        if (high[at] > most) most = high[at];
      }
      lows[block] = least;
      highs[block] = most;
    }
    made.push({ low: lows, high: highs });
    low = lows;
    high = highs;
  }
  return made;
}

/** Evenly sampled stretch without a gap. */
class Piece {
  constructor(header, samples) {
    Object.assign(this, { start: header.start_s, rate: header.rate_hz, scale: header.scale, offset: header.offset });
    this.samples = samples.subarray(header.first, header.first + header.count);
    this.end = this.start + header.count / this.rate;
    this.coarser = null; // made when first drawn from afar
  }

  /** Value of sample i in the channel's unit. */
  value(i) {
    return this.offset + this.scale * this.samples[i];
  }

  /**
   * Lowest and highest value in each column of a window that the piece reaches into.
   * from and step in seconds; columns first to last (not included); take(column, low, high).
   */
  columns(from, step, first, last, take) {
    const perColumn = step * this.rate;
    let factor = 1;
    let level = -1;
    this.coarser ??= levels(this.samples);
    while (level + 1 < this.coarser.length && factor * FACTOR <= perColumn) {
      level += 1;
      factor *= FACTOR;
    }
    const low = level < 0 ? this.samples : this.coarser[level].low;
    const high = level < 0 ? this.samples : this.coarser[level].high;
    const origin = (from - this.start) * this.rate;
    for (let column = first; column < last; column++) {
      const begin = Math.max(0, Math.floor((origin + column * perColumn) / factor));
      const end = Math.min(low.length, Math.ceil((origin + (column + 1) * perColumn) / factor));
      let least = 32767;
      let most = -32768;
      for (let at = begin; at < end; at++) {
        if (low[at] < least) least = low[at];
        if (high[at] > most) most = high[at];
      }
      if (most >= least) take(column, this.offset + this.scale * least, this.offset + this.scale * most);
    }
  }
}

/** One channel of one file: its words from the header, and its pieces in order of time. */
export class Channel {
  constructor(header, samples) {
    Object.assign(this, header);
    this.pieces = header.pieces.map((piece) => new Piece(piece, samples));
  }

  /** Pieces that reach into a window [s]. */
  within(from, to) {
    const pieces = this.pieces;
    let low = 0;
    let high = pieces.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (pieces[middle].end < from) low = middle + 1;
      else high = middle;
    }
    let last = low;
    while (last < pieces.length && pieces[last].start <= to) last += 1;
    return pieces.slice(low, last);
  }

  /** Value at a moment, or null where none was recorded. */
  at(seconds) {
    for (const piece of this.within(seconds, seconds)) {
      const i = Math.floor((seconds - piece.start) * piece.rate);
      if (i >= 0 && i < piece.samples.length) return piece.value(i);
    }
    return null;
  }
}
