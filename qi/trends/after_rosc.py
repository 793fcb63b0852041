"""Care after ROSC from the record, and from the monitor where it can tell: 12-lead, pressure, oxygen, end-tidal CO2, destination.

Each answer is yes, no or missing. The time asked about runs from the first ROSC to hand-over (or the end of what is recorded),
without the time of a re-arrest. A record without any vital sign in it leaves ECG, pressure, oxygen and end-tidal CO2 missing, not
"no"; one that holds a vital sign there, and could have held the entry asked about, makes an absent entry a "no".
"""

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

from qi.model.case import Case
from qi.model.errors import UnknownWord
from qi.model.findings import Findings
from qi.model.spans import Spans
from qi.model.vocabulary import BEFORE_OUR_CARE, HOSPITAL_KINDS, READINGS, unit_factor

_FILE = Path(__file__).with_name("bundles.toml")
YES, NO = "yes", "no"
FACTS = ("rosc_12_lead", "rosc_pressure", "rosc_oxygen", "rosc_end_tidal", "rosc_destination")
MEASURED, RECORDED = NO_LIMIT = ("measured at all", "recorded at all")  # what an element without a limit is held against
_NUMBER = re.compile(r"\s*(\d+(?:\.\d+)?)(?:\s*/\s*\d+)?\s*(\S*)")
_PRIOR = "prior"


@dataclass(frozen=True)
class Limits:
    """The agency's limits; None (or no kind of hospital) where it sets none, so that being measured at all counts.

    systolic_at_least_mmhg; adult_from_years, the age below which that limit is not asked for [a]; spo2_band [%]; etco2_band_mmhg;
    hospital, words of HOSPITAL_KINDS; monitor_last_s, time at the end of which a monitor's last value is the median [s].
    """

    monitor_last_s: float
    adult_from_years: float
    systolic_at_least_mmhg: float | None = None
    spo2_band: tuple[float, float] | None = None
    etco2_band_mmhg: tuple[float, float] | None = None
    hospital: tuple[str, ...] = ()

    def words(self) -> dict[str, str]:
        """What each fact is held against, in words."""

        def band(edges: tuple[float, float] | None, unit: str) -> str:
            return MEASURED if edges is None else f"last {edges[0]:g} to {edges[1]:g} {unit}"

        least = self.systolic_at_least_mmhg
        return {
            "rosc_12_lead": "",
            "rosc_pressure": MEASURED if least is None else f"last systolic at least {least:g} mmHg",
            "rosc_oxygen": band(self.spo2_band, "%"),
            "rosc_end_tidal": band(self.etco2_band_mmhg, "mmHg"),
            "rosc_destination": " or ".join(self.hospital) or RECORDED,
        }


_NAMES = tuple(one.name for one in fields(Limits))


@dataclass(frozen=True)
class _Reading:
    """One vital sign that was charted: when, what, in our unit, and by which file. The value is NaN where words stand for it."""

    time_s: float
    name: str
    value: float
    source: str


def limits(path: Path = _FILE) -> Limits:
    """The limits as section [after_rosc] of a file sets them.

    Parameters: path, of the file; without it that of the bundles.
    Raises: UnknownWord for an entry or a kind of hospital that there is not.
    """
    told = tomllib.loads(path.read_text(encoding="utf-8"))["after_rosc"]
    given: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in told.items() if name != "checked"
    }
    if strange := [name for name in given if name not in _NAMES]:
        raise UnknownWord(f"{path.name}, [after_rosc]", strange[0], _NAMES)
    made = Limits(**given)
    if strange := [kind for kind in made.hospital if kind not in HOSPITAL_KINDS]:
        raise UnknownWord(f"{path.name}, [after_rosc], hospital", strange[0], HOSPITAL_KINDS)
    return made


def facts(case: Case, found: Findings, asked: Limits) -> dict[str, str | None]:
    """The five facts of care after ROSC, by their columns: yes, no, or None (missing).

    Parameters: case, for its events, vital signs, sources, clocks and facts [s]; found, on it, for the course of the arrest and the
    capnogram's breaths; asked, the limits.
    Returns: FACTS. Of charted readings the last one counts. Where none is charted, the monitor's SpO2 or end-tidal CO2 at the end
    of the time asked about. What a clock tells that could not be placed, and what was done before this unit's care, does not count.
    The destination is missing where the record does not say what the hospital is able to do.
    References: elements of post-arrest care (from memory); which absent entry is a "no" is our own rule.
    """
    after = circulation(case, found)
    if not after:
        return dict.fromkeys(FACTS) | {"rosc_destination": None if _rosc_s(case, found) is None else _destination(case, asked)}
    readings = [one for one in _readings(case) if after.contains(one.time_s)]
    charting = {one.source for one in readings}
    last = {one.name: one.value for one in readings if not np.isnan(one.value)}

    def absent(word: str) -> str | None:
        able = any(source.file in charting and word in source.could_chart for source in case.sources)
        return NO if able else None

    def judged(word: str, low: float, high: float, shown: float | None = None) -> str | None:
        value = last.get(word, shown)
        return absent(word) if value is None else YES if low <= value <= high else NO

    age, least = case.facts.age_years, asked.systolic_at_least_mmhg
    child = age is not None and age < asked.adult_from_years
    return {
        "rosc_12_lead": YES if any(after.contains(at) for at in _twelve_leads(case)) else absent("ecg_12_lead"),
        "rosc_pressure": judged("systolic", -np.inf if least is None or child else least, np.inf),
        "rosc_oxygen": judged("spo2", *_edges(asked.spo2_band), _shown(case, "spo2", after, asked.monitor_last_s)),
        "rosc_end_tidal": judged("etco2", *_edges(asked.etco2_band_mmhg), _exhaled(case, found, after, asked.monitor_last_s)),
        "rosc_destination": _destination(case, asked),
    }


def circulation(case: Case, found: Findings) -> Spans:
    """Time with circulation from the first ROSC to hand-over, else to the end of what is recorded; re-arrests taken out.

    Parameters: case and found, as in facts.
    Returns: stretches [s]; none where no ROSC has a time. ROSC is the first that the course of the arrest shows, else the first
    that any placed clock tells. A re-arrest ends at the next charted ROSC, or where the course says that its span ends. A reading
    at the very moment of ROSC counts, one at the very moment of hand-over does too.
    """
    start_s = _rosc_s(case, found)
    if start_s is None:
        return Spans()
    handed = [time for time in _times(case, "care_transferred") if time >= start_s]
    end_s = np.nextafter(handed[0], np.inf) if handed else np.inf
    back = _times(case, "rosc")
    again = [(time, next((later for later in back if later > time), np.inf)) for time in _times(case, "rearrest")]
    stopped = [(time, np.inf) for time in _times(case, "terminated") if time >= start_s]
    return Spans.of([(start_s, end_s)]).minus(found.arrest).minus(Spans.of([*again, *stopped]))


def _rosc_s(case: Case, found: Findings) -> float | None:
    if found.course.rosc:
        return found.course.rosc.hull.start_s
    return next(iter(_times(case, "rosc")), None)


def _times(case: Case, type_: str) -> list[float]:
    """Times of one event type on placed clocks [s], in order."""
    return sorted(float(one.time_s) for one in case.told if one.type == type_ and case.clocks[one.clock].placed)


def _twelve_leads(case: Case) -> Iterator[float]:
    for one in case.told:
        if one.type == "ecg_12_lead" and one.by != _PRIOR and case.clocks[one.clock].placed:
            yield float(one.time_s)


def _readings(case: Case) -> list[_Reading]:
    """Every vital sign that is charted on a placed clock, in order of time: as a vital sign, or as an event of that name."""
    signs = (
        _Reading(float(row.time_s), str(row.name), float(row.value), str(row.source))
        for row in case.vitals.itertuples(index=False)
        if case.clocks[row.clock].placed and BEFORE_OUR_CARE not in str(row.text)
    )
    events = (
        _Reading(float(one.time_s), one.type, _number(one.type, one.value, one.unit), one.source)
        for one in case.told
        if one.type in READINGS and one.by != _PRIOR and case.clocks[one.clock].placed
    )
    return sorted([*signs, *events], key=lambda one: one.time_s)


def _number(name: str, value: object, unit: object) -> float:
    """The number of a reading in our unit, of 118/72 the first; NaN where there is none or its unit is not known."""
    told = _NUMBER.fullmatch(str(value)) if isinstance(value, str) else None
    if told is None:
        return np.nan
    written = unit if isinstance(unit, str) and unit else told[2]
    channel = "arterial_pressure" if name == "systolic" else name
    factor = unit_factor(channel, written) if written else 1.0
    return np.nan if factor is None else float(told[1]) * factor


def _shown(case: Case, channel: str, after: Spans, last_s: float) -> float | None:
    """What the monitor showed at the end of the time asked about: the median of its last seconds of one numeric."""
    times, values = [np.empty(0)], [np.empty(0)]
    for signal in case.of_channel(channel):
        times += [piece.times_s for piece in signal.pieces]
        values += [piece.values for piece in signal.pieces]
    return _median_of_last(np.concatenate(times), np.concatenate(values), after, last_s)


def _exhaled(case: Case, found: Findings, after: Spans, last_s: float) -> float | None:
    """End-tidal CO2 at the end of the time asked about [mmHg]: by the capnogram's breaths, else as the monitor showed it."""
    breaths = found.exhalations
    times, values = (breaths[name].to_numpy(dtype=float) for name in ("time_s", "etco2_mmhg"))
    by_breaths = _median_of_last(times, values, after, last_s)
    return _shown(case, "etco2", after, last_s) if by_breaths is None else by_breaths


def _median_of_last(times_s: np.ndarray, values: np.ndarray, after: Spans, last_s: float) -> float | None:
    """Median of the values above zero in the last seconds that have any; a monitor without its sensor shows zero."""
    kept = after.contains(times_s) & (np.nan_to_num(values) > 0)
    if not kept.any():
        return None
    end_s = times_s[kept].max()
    return float(np.median(values[kept & (times_s >= end_s - last_s)]))


def _edges(band: tuple[float, float] | None) -> tuple[float, float]:
    return (-np.inf, np.inf) if band is None else band


def _destination(case: Case, asked: Limits) -> str | None:
    kinds = case.facts.hospital
    if not kinds:
        return None
    return YES if not asked.hospital or set(kinds) & set(asked.hospital) else NO
