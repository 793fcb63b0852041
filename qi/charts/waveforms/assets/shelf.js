// Room for labels: rows on which stretches may not overlap.

export class Shelf {
  constructor(rows) {
    this.rows = Array.from({ length: rows }, () => []);
  }

  /** Whether a stretch is free on a row. */
  free(row, from, to) {
    return this.rows[row].every(([begin, end]) => to <= begin || from >= end);
  }

  /** Take a stretch on a row. */
  take(row, from, to) {
    this.rows[row].push([from, to]);
  }

  /** Take a stretch on the first row where it is free; answers the row, or -1 where there is no room. */
  place(from, to) {
    const row = this.rows.findIndex((_, at) => this.free(at, from, to));
    if (row >= 0) this.take(row, from, to);
    return row;
  }

  /** How many rows hold something. */
  get used() {
    return this.rows.reduce((most, row, at) => (row.length ? at + 1 : most), 0);
  }
}
