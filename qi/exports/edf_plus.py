"""A case on its one axis of time as EDF+: signals of all placed clocks, events and findings as annotations.

How signals are put down, so that nothing is made up:

- One continuous file (EDF+C), for readers that are known to refuse gaps between records (EDF+D). Where a signal has no sample, its
  channel holds its physical minimum, which no sample of it has, and an annotation “no samples” covers the stretch. For a channel
  with a known plausible range that minimum lies below it, so that our own reader takes the stretch as unknown again.
- A sample stands on the nearest point of the channel's grid, at most half a sample from its time. A rate that no length of record
  makes whole is put on the next faster grid; an annotation says how many samples stand twice or were left out.
- Values are rounded to 16 bits: off by at most half a step of (physical maximum - minimum) / (digital maximum - minimum). A signal
  without gaps whose source had 16 bits (or 12) between known rails comes out exactly as it was.

References: EDF+ specification (Kemp and Olivan, Clin Neurophysiol 114 (2003) 1755), sections 2.1 and 2.2.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import edfio
import numpy as np
from anyascii import anyascii

from qi.exports.edf_words import Words, annotations, notice, short
from qi.exports.masking import without_identity
from qi.model.case import Case, Signal
from qi.model.cautions import SHORT
from qi.model.review import Review
from qi.model.spans import Spans
from qi.model.vocabulary import CHANNELS

# Lengths of a record that are tried in turn [s]; a record should have no more than 61,440 bytes (EDF specification, 1992).
_RECORDS_S = (10, 5, 4, 2, 1, 20, 50, 60, 100)
_RECORD_BYTES = 61_440
_DRIFT = 0.25  # samples by which a grid may drift from a signal's own rate over the whole recording
# Digital ranges that sources are known to use: 16 bits, 16 bits without the lowest value, 12 bits.
_DIGITAL = ((-32768, 32767), (-32767, 32767), (-2048, 2047), (0, 4095))
_BELOW = 0.001  # share of the range by which the value for “no sample” lies below the lowest sample
# Where the channel's name is longer than a label may be.
_LABELS = {
    "compression_depth": "CC depth",
    "compression_force": "CC force",
    "chest_acceleration": "CC acceleration",
    "thoracic_impedance": "Impedance",
    "arterial_pressure": "ABP",
}
_LONGEST_LABEL, _LONGEST_FIELD, _LONGEST_ID = 16, 80, 24
_PURPOSE = "retrospective_quality_improvement_only"


@dataclass(frozen=True)
class Grid:
    """The file's own raster: its start on the case axis [s], length of a record [s], number of records, samples a record."""

    start_s: float
    record_s: int
    records: int
    counts: tuple[int, ...]

    @property
    def seconds(self) -> int:
        """Length of the file [s]."""
        return self.records * self.record_s


@dataclass(frozen=True)
class Laid:
    """A signal on the grid: values in its unit where there is a sample, NaN elsewhere; how many stand twice or were left out."""

    values: np.ndarray
    twice: int
    left_out: int


def write(path: Path, review: Review, *, identity: bool, id_: str | None = None, banner: str = "") -> None:
    """Write one case as EDF+.

    Parameters: path, of the file; review, of one case; identity, whether the case's id, the local start and the names of its files
    may stand in the file; id_, the id without identity (default: a random one); banner, the agency's own line: whole as an
    annotation, and as far as it fits in the header.
    """
    shown = review if identity else without_identity(review, id_=id_).review
    case = shown.case
    grid = _grid(case.signals)
    channels, said = _channels(case.signals, grid)
    told = [*annotations(shown), *said, *notice(banner)]
    notes = [edfio.EdfAnnotation(words.onset_s - grid.start_s, words.seconds, words.text) for words in told]
    start = case.start + timedelta(seconds=grid.start_s) if case.start else None
    _edf(channels, notes, case, start, grid.record_s, banner).write(path)


def write_annotations(path: Path, words: Sequence[Words], case: Case, *, banner: str = "") -> None:
    """Write a file that holds annotations alone and says no date, as a case without identity has them [s from case start].

    Parameters: path; words; case; banner, the agency's own line: whole as an annotation beside the caution, and as far as it fits
    in the header.
    """
    notes = [edfio.EdfAnnotation(*one) for one in (Words(0.0, None, SHORT), *notice(banner), *words)]
    _edf([], notes, case, None, 0, banner).write(path)


def _edf(
    channels: list[edfio.EdfSignal],
    notes: list[edfio.EdfAnnotation],
    case: Case,
    start: datetime | None,
    record_s: int,
    banner: str,
) -> edfio.Edf:
    """The file with its header: sex, the agency's line, the case's id, the purpose, local date and time where these are given."""
    date, time = (start.date(), start.time()) if start and 1985 <= start.year <= 2084 else (None, None)
    return edfio.Edf(
        channels,
        patient=edfio.Patient(
            sex={"female": "F", "male": "M"}.get(str(case.facts.sex), "X"),  # type: ignore[arg-type]
            additional=_in_patient_field(banner),
        ),
        recording=edfio.Recording(
            startdate=date, hospital_administration_code=_subfield(case.id, _LONGEST_ID) or "X", additional=(_PURPOSE,)
        ),
        starttime=time,
        data_record_duration=record_s if channels else None,
        annotations=notes,
    )


def _in_patient_field(banner: str) -> tuple[str, ...]:
    """The agency's line as subfields of the patient field, which has more room left than the recording's; cut where that ends."""
    words = _subfield(banner, _LONGEST_FIELD - len("X F X X "))
    return (words,) if words else ()


def _subfield(text: str, most: int) -> str:
    """A text as one subfield of a header's field, where blanks part subfields (section 2.1.3): “_” stands for them."""
    return "_".join(_ascii(text, most).split())


def _grid(signals: Sequence[Signal]) -> Grid:
    """The raster that holds all signals: the longest record of those tried that fits all rates, best without a remainder."""
    if not signals:
        return Grid(0.0, 1, 1, ())
    first_s = min(signal.pieces[0].start_s for signal in signals)
    start_s = float(min(0, math.floor(first_s + 1e-9)))
    seconds = max(signal.pieces[-1].end_s for signal in signals) - start_s
    rates = [max(piece.rate_hz for piece in signal.pieces) for signal in signals]
    fitting = [length for length in _RECORDS_S if _fits(rates, length, seconds)]
    whole = [length for length in fitting if abs(seconds / length - round(seconds / length)) < 1e-6]
    record_s = next(iter(whole or fitting), _RECORDS_S[0])
    counts = tuple(max(1, round(rate * record_s) if record_s in fitting else math.ceil(rate * record_s)) for rate in rates)
    return Grid(start_s, record_s, max(1, math.ceil(seconds / record_s - 1e-9)), counts)


def _fits(rates: Sequence[float], record_s: int, seconds: float) -> bool:
    counts = [max(1, round(rate * record_s)) for rate in rates]
    drifts = [abs(rate * record_s - count) * seconds / record_s for rate, count in zip(rates, counts, strict=True)]
    return max(drifts) <= _DRIFT and 2 * sum(counts) <= _RECORD_BYTES


def _channels(signals: Sequence[Signal], grid: Grid) -> tuple[list[edfio.EdfSignal], list[Words]]:
    """Each signal as a channel, and what has to be said of it."""
    channels: list[edfio.EdfSignal] = []
    said: list[Words] = []
    for signal, count in zip(signals, grid.counts, strict=True):
        laid = _laid(signal, grid, count)
        there = np.isfinite(laid.values)
        scale = _scale(signal, laid.values[there], has_gaps=not there.all())
        if scale is None:
            said.append(Words(0.0, None, short(f"left out: {signal.name}: its values do not fit into the fields of the format")))
            continue
        digital, physical, ends = scale
        samples = np.full(len(there), ends[0], dtype=np.int16)
        samples[there] = digital
        rate_hz = _rate(count, grid)
        channels.append(
            edfio.EdfSignal.from_digital(
                samples,
                rate_hz,
                label=label(signal),
                transducer_type=_ascii(f"{signal.source} {signal.label}".strip(), _LONGEST_FIELD),
                physical_dimension=_ascii(signal.unit, 8),
                physical_range=physical,
                digital_range=ends,
            )
        )
        said += _missing(signal, there, grid, count)
        if laid.twice or laid.left_out:
            words = f"{signal.name}: put on a grid of {count} samples in {grid.record_s} s"
            said.append(Words(0.0, None, short(f"{words}: {laid.twice} samples stand twice, {laid.left_out} are left out")))
    return channels, said


def label(signal: Signal) -> str:
    """A label of at most 16 characters that our own reader knows; signals of one kind have one label and differ in their source."""
    about = CHANNELS.get(signal.channel)
    if about is None:
        return _ascii(signal.label or signal.channel, _LONGEST_LABEL) or "signal"
    return _LABELS.get(signal.channel, about.show_as)


def _laid(signal: Signal, grid: Grid, count: int) -> Laid:
    """The nearest sample of each point of the grid that is at most half a sample away."""
    step_s = grid.record_s / count
    values = np.full(grid.records * count, np.nan, dtype=np.float32)
    twice = left_out = 0
    for piece in signal.pieces:
        half_s = 0.5 / piece.rate_hz
        first = max(0, math.floor((piece.start_s - half_s - grid.start_s) / step_s))
        last = min(len(values) - 1, math.ceil((piece.end_s - grid.start_s) / step_s))
        points = np.arange(first, last + 1)
        at = np.floor((grid.start_s + points * step_s - piece.start_s) * piece.rate_hz + 0.5 + 1e-6).astype(int)
        inside = (at >= 0) & (at < len(piece.values))
        values[points[inside]] = piece.values[at[inside]]
        used = len(np.unique(at[inside]))
        twice += int(inside.sum()) - used
        left_out += len(piece.values) - used
    return Laid(values, twice, left_out)


def _scale(signal: Signal, values: np.ndarray, *, has_gaps: bool) -> tuple[np.ndarray, tuple[float, float], tuple[int, int]] | None:
    """Digital values of the samples, and the physical and digital ranges; None where no range fits into the header's fields."""
    if signal.rails and not has_gaps and _in_header(signal.rails) == tuple(signal.rails):
        for ends in _DIGITAL:
            digital, back = _digital(values, signal.rails, ends)
            if np.array_equal(back, values):
                return digital, signal.rails, ends
    low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
    high = high if high > low else low + 1.0
    if has_gaps:
        lowest = CHANNELS[signal.channel].lowest if signal.channel in CHANNELS else -math.inf
        believable = low if math.isinf(lowest) else min(low, lowest)
        low = believable - _BELOW * (high - believable)
    written = _in_header((low, high))
    return (_digital(values, written, _DIGITAL[0])[0], (low, high), _DIGITAL[0]) if written else None


def _in_header(physical: tuple[float, float]) -> tuple[float, float] | None:
    """A physical range as the 8 characters of each field of the header hold it, rounded outwards; None where they cannot."""
    try:
        probe = edfio.EdfSignal.from_digital(np.zeros(1, dtype=np.int16), 1.0, physical_range=physical)
    except ValueError:
        return None
    return probe.physical_min, probe.physical_max


def _digital(values: np.ndarray, physical: tuple[float, float], ends: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Values as whole numbers between the digital ends, and what a reader makes of these (single precision)."""
    gain = (physical[1] - physical[0]) / (ends[1] - ends[0])
    base = physical[0] - ends[0] * gain
    digital = np.clip(np.rint((values.astype(float) - base) / gain), *ends).astype(np.int16)
    return digital, (digital * gain + base).astype(np.float32)


def _rate(count: int, grid: Grid) -> float:
    """Samples a second such that the length of the signal comes out as that of the file; floating point may miss it by a hair."""
    rate = count / grid.record_s
    tries = (rate, float(np.nextafter(rate, 0)), float(np.nextafter(rate, np.inf)))
    return next((one for one in tries if round(count * grid.records / one, 12) == grid.seconds), rate)


def _missing(signal: Signal, there: np.ndarray, grid: Grid, count: int) -> list[Words]:
    gaps = Spans.where(~there, start_s=grid.start_s, step_s=grid.record_s / count)
    return [Words(gap.start_s, gap.seconds, short(f"no samples: {signal.name}")) for gap in gaps]


def _ascii(text: str, most: int) -> str:
    """Printable ASCII alone, which is all that a header may hold, cut to a field's length: “Größe” is written “Grosse”, µV uV.

    Control signs are blanks; a sign that nobody writes in ASCII is left out.
    """
    return "".join(sign if " " <= sign <= "~" else " " for sign in anyascii(text))[:most].strip()
