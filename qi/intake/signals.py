"""From raw samples to Signals: names and units, what cannot be believed, gaps, uneven sampling, blocks out of order.

Every reader of waveforms ends here, so that one rule decides what a gap is and what a value may be.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from qi.intake.header import SourceHeader
from qi.model.case import Note, Piece, Signal, Unknown
from qi.model.vocabulary import CHANNELS, IGNORED, channel_named, plain, unit_factor

# Neighbouring samples further apart than this many sampling intervals have a gap between them (measures.md, section 1).
WIDEST_STEP = 3.0
# A time this far off an even grid still counts as on it, in sampling intervals (our default, no source).
EVEN_WITHIN = 0.25
# A sample sooner than this after the last of an earlier block is a doubled one, in sampling intervals (our default, no source).
SOONEST_STEP = 0.5


@dataclass(frozen=True)
class Remark:
    """What a maker of signals has to say of one channel, before it is known which other channels it holds for too.

    unknown is the kind of thing that is not understood (channel or unit), if that is what it says.
    """

    level: str
    text: str
    unknown: str = ""


@dataclass(frozen=True)
class Run:
    """Rows of a table, in order of time and without a gap: an even grid, and the rows' own times where they are not even."""

    rows: np.ndarray
    start_s: float
    rate_hz: float
    times_s: np.ndarray | None = None

    def piece(self, values: np.ndarray) -> Piece:
        """The run's values on its even grid."""
        own = values[self.rows]
        if self.times_s is None:
            return Piece(self.start_s, self.rate_hz, own)
        grid = np.arange(self.start_s, self.times_s[-1] + EVEN_WITHIN / self.rate_hz, 1 / self.rate_hz)
        return Piece(self.start_s, self.rate_hz, np.interp(grid, self.times_s, own))


@dataclass(frozen=True)
class Timeline:
    """How the rows of a channel lie in time: runs without gaps, and the rows that were put aside."""

    runs: tuple[Run, ...]
    aside: np.ndarray
    remarks: tuple[Remark, ...] = ()

    def pieces(self, values: np.ndarray) -> list[Piece]:
        """The values of all runs."""
        return [run.piece(values) for run in self.runs]


def in_order(times_s: np.ndarray, breaks: np.ndarray, *, soonest_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Put blocks of rows in order of time, each row at least soonest_s after the last row of the block before it.

    Parameters: times_s, time of each row in the order of the file [s]; breaks, rows at which a block begins; soonest_s [s].
    Returns: the row numbers in order of time, and the row numbers put aside because an earlier block already covers them.
    """
    blocks = [block for block in np.split(np.arange(len(times_s)), breaks) if len(block)]
    kept, aside, last_s = [], [], -np.inf
    for block in sorted(blocks, key=lambda block: times_s[block[0]]):
        first = int(np.searchsorted(times_s[block], last_s + soonest_s))
        aside.append(block[:first])
        if first < len(block):
            kept.append(block[first:])
            last_s = times_s[block[-1]]
    return np.concatenate(kept), np.sort(np.concatenate(aside))


def timeline(times_s: np.ndarray) -> Timeline:
    """Find the runs without gaps among rows that may be uneven, doubled, overlapping or out of order.

    Parameters: times_s, time of each row that has a value, in the order of the file [s].
    Returns: Timeline. A step of more than three median intervals is a gap; rows of one time, and rows that an earlier block covers,
    are put aside; blocks out of order are put in order.
    """
    count = len(times_s)
    if not count:
        return Timeline((), np.empty(0, int))
    steps = np.diff(times_s)
    if not (steps > 0).any():
        one = Run(np.array([0]), float(times_s[0]), 1.0)
        return Timeline((one,), np.arange(1, count), (Remark("info", "a single sample, held to last 1 s"),))
    step_s = float(np.median(steps[steps > 0]))
    rows, aside, remarks = np.arange(count), np.empty(0, int), []
    if not (steps > 0).all():
        doubled = np.flatnonzero(steps == 0) + 1
        single = np.setdiff1d(rows, doubled, assume_unique=True)
        between = np.diff(times_s[single])
        breaks = np.flatnonzero((between < 0) | (between > WIDEST_STEP * step_s)) + 1
        order, covered = in_order(times_s[single], breaks, soonest_s=SOONEST_STEP * step_s)
        rows, aside = single[order], np.sort(np.concatenate([doubled, single[covered]]))
        remarks = _disorder(int((between < 0).sum()), len(doubled), len(covered))
    gaps = np.flatnonzero(np.diff(times_s[rows]) > WIDEST_STEP * step_s) + 1
    runs = tuple(_run(part, times_s[part], step_s) for part in (np.split(rows, gaps) if len(gaps) else [rows]))
    if len(gaps):
        lost_s = float((np.diff(times_s[rows])[gaps - 1] - step_s).sum())
        what = "a gap in time, kept as one" if len(gaps) == 1 else f"{len(gaps)} gaps in time, kept as gaps"
        remarks.append(Remark("warning", f"{what}: {lost_s:.6g} s without samples"))
    uneven = sum(len(run.rows) for run in runs if run.times_s is not None)
    if uneven:
        remarks.append(Remark("info", f"sampled unevenly: {uneven} samples put on an even grid of {1 / step_s:.6g} Hz"))
    return Timeline(runs, aside, tuple(remarks))


def _disorder(back: int, doubled: int, covered: int) -> list[Remark]:
    """What to say of rows that do not run forward in time."""
    parts = [
        f"times run backwards {'once' if back == 1 else f'{back} times'}: the blocks are put in order of time" if back else "",
        f"{covered} rows overlap an earlier block and are put aside" if covered else "",
        f"{doubled} rows repeat the time of the row above and are put aside" if doubled else "",
    ]
    return [Remark("warning", "; ".join(filter(None, parts)))]


def _run(rows: np.ndarray, times_s: np.ndarray, step_s: float) -> Run:
    """One run: its own mean rate where its times lie on an even grid, else a grid at the median interval."""
    start_s, steps = float(times_s[0]), len(rows) - 1
    if not steps:
        return Run(rows, start_s, _rounded(1 / step_s, 1))
    rate_hz = _rounded(steps / float(times_s[-1] - start_s), steps)
    off = np.abs((times_s - start_s) * rate_hz - np.arange(len(rows)))
    if off.max() <= EVEN_WITHIN:
        return Run(rows, start_s, rate_hz)
    return Run(rows, start_s, _rounded(1 / step_s, steps), times_s)


def _rounded(rate_hz: float, steps: int) -> float:
    """The rate without the rounding noise of written times, if that moves the last sample by a small part of a step only."""
    near = round(rate_hz, 2)
    return near if near > 0 and abs(steps - steps * rate_hz / near) <= EVEN_WITHIN / 10 else rate_hz


def believed(piece: Piece, *, lowest: float, highest: float) -> tuple[list[Piece], int]:
    """Take out missing and implausible samples: up to two in a row are bridged with a straight line, more leave a gap.

    Parameters: piece, samples in the channel's own unit, NaN where missing; lowest, highest, what can be believed [same unit].
    Returns: pieces without a missing value, in float32, and the number of implausible samples.
    """
    values = piece.values
    if not len(values):
        return [], 0
    low, high = values.min(), values.max()
    if lowest <= low and high <= highest and np.isfinite(low) and np.isfinite(high):
        return [Piece(piece.start_s, piece.rate_hz, values.astype(np.float32, copy=False))], 0
    absurd = (values < lowest) | (values > highest)
    good = np.flatnonzero(np.isfinite(values) & ~absurd)
    kept = []
    for run in np.split(good, np.flatnonzero(np.diff(good) > WIDEST_STEP) + 1) if len(good) else []:
        span = np.arange(run[0], run[-1] + 1)
        own = values[span]
        if len(run) < len(span):
            lost = np.setdiff1d(span, run, assume_unique=True)
            own[lost - run[0]] = np.interp(lost, run, values[run])
        kept.append(Piece(piece.start_s + run[0] / piece.rate_hz, piece.rate_hz, own.astype(np.float32, copy=False)))
    return kept, int(absurd.sum())


_USE_ANOTHER = f"in case.toml a label mapped to “{IGNORED}” is left out"


def named(label: str, unit: str, about: SourceHeader, known_as: str = "") -> tuple[str, str, float, list[Remark]]:
    """What a file's label and unit stand for: channel, unit it is kept in, factor, and what to say of it.

    known_as is the channel where that is settled; else the header speaks first, then the vocabulary, then a map. An unknown label
    keeps its name and unit. A known label in an unknown unit is kept apart as "channel[unit]", so that nothing takes its numbers
    for the channel's own unit.
    """
    by_plain = {plain(own): channel for own, channel in about.channels.items()}
    channel = known_as or about.channels.get(label) or by_plain.get(plain(label)) or channel_named(label)
    mapped = None if known_as else about.labels.get(plain(label))
    said: list[Remark] = []
    scale = 1.0
    if channel is None and mapped:
        channel = mapped.channel
        told = "left out" if channel == IGNORED else f"taken as {channel}"
        said.append(Remark("info", f"{told}, as the map “{mapped.of_map}” says"))
    elif channel == IGNORED:
        said.append(Remark("info", "left out, as case.toml says"))
    elif mapped and mapped.channel != channel:
        what = f"{channel} by case.toml or by its name, not {mapped.channel} as the map “{mapped.of_map}” says"
        said.append(Remark("info", what))
        mapped = None
    if channel == IGNORED:
        return IGNORED, unit, 1.0, said
    if channel is None:
        what = "not in the vocabulary of channels: kept as it stands; a map, or [source.channels] in case.toml, can name it"
        return label, unit, 1.0, [Remark("warning", what, "channel")]
    if mapped and mapped.scale != 1.0:
        scale = mapped.scale
        said.append(Remark("info", f"multiplied by {scale:g}, as the map “{mapped.of_map}” says"))
    return _in_our_unit(channel, unit, scale, mapped.unit if mapped else "", said)


def _in_our_unit(channel: str, unit: str, scale: float, otherwise: str, said: list[Remark]) -> tuple[str, str, float, list[Remark]]:
    """The factor from the file's unit, or, where that is not known, from the one that a map gives."""
    ours = CHANNELS[channel].unit
    spellings = (unit, unit.strip().replace("\u03bc", "\u00b5").replace("\u2126", "\u03a9"))
    factor = next((known for known in (unit_factor(channel, spelling) for spelling in spellings) if known is not None), None)
    if factor is None and otherwise:
        said = [*said, Remark("info", f"its unit is {otherwise}, as the map says{f', not “{unit}”' if unit else ''}")]
        factor, unit = unit_factor(channel, otherwise), otherwise
    if factor is not None:
        told = [] if factor == 1.0 else [Remark("info", f"converted from {unit} to {ours} (× {factor:g})")]
        return channel, ours, factor * scale, [*said, *told]
    known = ", ".join(name for name in CHANNELS[channel].factors or {ours: 1.0} if name)
    what = f"the unit “{unit}” is not known for {channel} (known: {known}): kept as it stands and not measured"
    return f"{channel}[{unit}]", unit, scale, [*said, Remark("warning", what, "unit")]


def signal_from(
    label: str,
    unit: str,
    pieces: Iterable[Piece],
    *,
    source: str,
    about: SourceHeader,
    rails: tuple[float, float] | None = None,
    known_as: str = "",
) -> tuple[Signal | None, list[Remark]]:
    """Make one Signal of raw samples.

    Parameters: label and unit, as the file has them; pieces, raw samples in that unit in order of time, NaN where missing; source,
    the file's name; about, what the header says of the file; rails, lowest and highest value that the file can hold [unit];
    known_as, the channel where that is settled already.
    Returns: the Signal in the vocabulary's unit (None where no sample is left), and what a person should know of it.
    """
    channel, ours, factor, remarks = named(label, unit, about, known_as)
    if channel == IGNORED:
        return None, remarks
    lowest, highest = (CHANNELS[channel].lowest, CHANNELS[channel].highest) if channel in CHANNELS else (-np.inf, np.inf)
    kept: list[Piece] = []
    absurd = 0
    for piece in pieces:
        with np.errstate(over="ignore", invalid="ignore"):
            values = piece.values if factor == 1.0 else piece.values * factor
            values = values.astype(np.float32, copy=False)
        parts, count = believed(Piece(piece.start_s, piece.rate_hz, values), lowest=lowest, highest=highest)
        kept.extend(parts)
        absurd += count
    if absurd:
        what = f"{absurd} sample{'s' if absurd > 1 else ''} outside {lowest:g} to {highest:g} {ours} not believed, taken as unknown"
        remarks.append(Remark("warning", f"{what} (up to two in a row are bridged)"))
    if not kept:
        return None, [*remarks, Remark("warning", "holds no sample that can be used: left out")]
    if rails:
        low, high = sorted(rail * factor for rail in rails)
        rails = (low, high)
    reference = about.depth_reference if channel == "compression_depth" else None
    return Signal(channel, ours, tuple(kept), source, label=label, reference=reference, rails=rails), remarks


def notes_of(file: str, remarks: Mapping[str, Iterable[Remark]]) -> tuple[Note, ...]:
    """Notes on a file from the remarks on each channel; what holds for several channels is said once."""
    together: dict[Remark, list[str]] = {}
    for label, said in remarks.items():
        for remark in said:
            together.setdefault(remark, []).append(f"“{label}”")
    return tuple(Note(remark.level, file, f"{', '.join(labels)}: {remark.text}") for remark, labels in together.items())


def unknown_of(file: str, remarks: Mapping[str, Iterable[Remark]]) -> tuple[Unknown, ...]:
    """The labels and units of a file that are not understood."""
    counts: dict[tuple[str, str, str], int] = {}
    for label, said in remarks.items():
        for remark in said:
            if remark.unknown:
                counts[remark.unknown, label, remark.text] = counts.get((remark.unknown, label, remark.text), 0) + 1
    return tuple(Unknown(kind, label, file, text, count) for (kind, label, text), count in counts.items())


def named_alike(signals: Iterable[Signal], file: str) -> tuple[Note, ...]:
    """A note for each kind of channel that a file holds more than once."""
    labels: dict[str, list[str]] = {}
    for signal in signals:
        labels.setdefault(signal.channel, []).append(f"“{signal.label}”")
    return tuple(
        Note(
            "info",
            file,
            f"{channel} is there {len(own)} times ({', '.join(own)}); kept apart; {_USE_ANOTHER}",
        )
        for channel, own in labels.items()
        if len(own) > 1
    )
