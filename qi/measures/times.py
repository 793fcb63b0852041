"""Times, drugs and airway: intervals between named moments, epinephrine, airway attempts."""

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.case import Case
from qi.model.errors import NotMeasurable
from qi.model.number import NO_ARREST, Number, attempt, moments
from qi.model.points import Point, between, first_onset, on_each_clock, since_contact, surest
from qi.model.spans import Spans
from qi.model.vocabulary import ADVANCED_AIRWAYS

INTERVALS = (
    ("call", "dispatched"),
    ("dispatched", "en_route"),
    ("en_route", "on_scene"),
    ("call", "on_scene"),
    ("on_scene", "at_patient"),
    ("call", "at_patient"),
    ("call", "first_compression"),
    ("at_patient", "first_compression_ems"),
    ("at_patient", "pads_on"),
    ("pads_on", "first_rhythm"),
    ("first_rhythm", "first_shock"),
    ("call", "first_shock"),
    ("first_compression_ems", "access"),
    ("access", "first_epinephrine"),
    ("first_compression_ems", "airway_placed"),
    ("first_compression_ems", "device_on"),
    ("first_compression_ems", "rosc"),
    ("rosc", "rearrest"),
    ("first_compression_ems", "terminated"),
    ("on_scene", "left_scene"),
    ("left_scene", "at_hospital"),
    ("at_hospital", "care_transferred"),
)
_PAIR = re.compile(r"\b(attempts|successful)=(\w+)")
_ADRENALINE = ("epinephrine", "adrenaline")


def _points(case: Case, compressions: pd.DataFrame, shocks: pd.DataFrame) -> dict[str, list[Point]]:
    """Each named moment as every clock tells it."""
    seen = [Point("first_compression_ems", float(compressions["onset_s"].iloc[0]), case.lead_clock)] if len(compressions) else []
    shock = [Point("first_shock", float(shocks["time_s"].iloc[0]), case.lead_clock)] if len(shocks) else []
    advanced = [point for kind in ADVANCED_AIRWAYS for point in on_each_clock(case, "airway_placed", value=kind)]
    doses = _epinephrine(case).head(1)
    same = ("dispatched", "en_route", "on_scene", "at_patient", "left_scene", "at_hospital", "care_transferred", "rosc", "rearrest")
    return {
        **{name: on_each_clock(case, name) for name in (*same, "access", "terminated")},
        "call": on_each_clock(case, "call_received"),
        "first_compression": on_each_clock(case, "cpr_started") or seen,
        "first_compression_ems": seen,
        "pads_on": on_each_clock(case, "device_on", value="defib_pads"),
        "first_rhythm": on_each_clock(case, "rhythm"),
        "first_shock": shock,
        "first_epinephrine": [Point("first_epinephrine", float(row.time_s), str(row.clock)) for row in doses.itertuples()],
        "airway_placed": sorted(advanced, key=lambda point: point.time_s),
        "device_on": on_each_clock(case, "device_on", value="itd"),
    }


def interval_s(case: Case, compressions: pd.DataFrame, shocks: pd.DataFrame) -> list[Number]:
    """Intervals between named moments of the call, `from` one `of` the next.

    Parameters: case, for its events and clocks; compressions, COMPRESSIONS table [s]; shocks, SHOCKS table [s].
    Returns: Numbers [s], one for each pair of INTERVALS; ± in error where two clocks meet, a negative one flagged.
    Raises: nothing; an answer that cannot be given says which moment is not recorded.
    References: time and duration definitions of the state EMS officials' data council (read); Utstein 2015 (from memory).
    """
    points = _points(case, compressions, shocks)
    return [
        attempt(
            between,
            case,
            *surest(case, points[start], points[end]),
            of=end,
            from_=start,
            no_start=f"{_words(start)} is not recorded",
            no_end=f"{_words(end)} is not recorded",
        )
        for start, end in INTERVALS
    ]


def _words(name: str) -> str:
    return name.replace("_", " ").removesuffix(" ems")


def _epinephrine(case: Case) -> pd.DataFrame:
    """The doses of the source that charted most, of equals the one on the closest clock: two records may hold one dose twice."""
    doses = case.events[(case.events["type"] == "drug") & case.events["value"].str.casefold().isin(_ADRENALINE)]
    if doses.empty:
        return doses
    told = doses.groupby("source", sort=False).agg(count=("time_s", "size"), clock=("clock", "first")).reset_index()
    told["apart"] = [case.apart_s(clock, case.lead_clock) or 0.0 for clock in told["clock"]]
    best = told.sort_values(["count", "apart"], ascending=[False, True], kind="stable")["source"].iloc[0]
    return doses[doses["source"] == best]


def epinephrine_doses(case: Case) -> Number:
    """How many doses of epinephrine were given.

    Parameters: case, for its drug events.
    Returns: Number, a count: of the source that charted most; high is the sum over all sources, which may hold one dose twice.
    Raises: NotMeasurable when no file of the case could have charted a drug.
    References: 1 mg every 3 to 5 min, AHA 2020 and 2025, ERC (read in secondary notes).
    """
    doses = _epinephrine(case)
    everything = case.events[(case.events["type"] == "drug") & case.events["value"].str.casefold().isin(_ADRENALINE)]
    if doses.empty and not any("drug" in source.could_chart for source in case.sources):
        raise NotMeasurable("no file of this case could have charted a drug: a care record or drug events would")
    low, high = float(len(doses)), float(len(everything))
    remark = "charted in more than one record: some may be the same dose" if high > low else None
    return Number(low, n=len(doses), low=low, high=high, remark=remark, spans_s=moments(doses["time_s"]))


def time_to_epinephrine_s(case: Case, arrest: Spans, compressions: pd.DataFrame) -> Number:
    """Time to the first epinephrine, from the later of patient contact and the start of the arrest.

    Parameters: case, for its events and clocks; arrest, the arrest spans [s]; compressions, COMPRESSIONS table [s], which patient
    contact on another clock cannot follow.
    Returns: Number [s], error where two clocks meet.
    Raises: NotMeasurable when no dose, or no zero point, was recorded.
    References: arrival to first dose, Hansen et al., Circulation 137 (2018) 2032 (abstract read); the zero point is ours.
    """
    if not arrest:
        raise NotMeasurable(NO_ARREST)
    doses = _epinephrine(case)
    dose = Point("first_epinephrine", float(doses["time_s"].iloc[0]), str(doses["clock"].iloc[0])) if len(doses) else None
    return since_contact(case, arrest.first.start_s, first_onset(compressions), dose, no_end="no epinephrine was charted")


def epinephrine_interval_s(case: Case, arrest: Spans) -> list[Number]:
    """Time between doses of epinephrine inside one arrest span: the median, and each (`of` 1-2, 2-3, …).

    Parameters: case, for its drug events; arrest, the arrest spans [s].
    Returns: Numbers [s].
    Raises: NotMeasurable when no span holds two doses.
    References: every 3 to 5 min, AHA 2020 and 2025, ERC (read in secondary notes).
    """
    doses = _epinephrine(case)
    clock = str(doses["clock"].iloc[0]) if len(doses) else case.lead_clock
    loose = case.apart_s(clock, case.lead_clock) or 0.0
    times = doses["time_s"].to_numpy()
    span_of = np.array([_span_at(time, arrest, loose) for time in times])
    pairs = [
        (f"{i + 1}-{i + 2}", float(times[i]), float(times[i + 1]))
        for i in range(len(times) - 1)
        if span_of[i] >= 0 and span_of[i] == span_of[i + 1]
    ]
    if not pairs:
        raise NotMeasurable("no arrest span holds two charted doses of epinephrine")
    steps = [end - start for _, start, end in pairs]
    whole = tuple((start, end) for _, start, end in pairs)
    each = [Number(end - start, n=1, of=of, spans_s=((start, end),)) for of, start, end in pairs]
    return [Number(float(np.median(steps)), n=len(steps), spans_s=whole), *each]


def _span_at(time_s: float, arrest: Spans, loose_s: float) -> int:
    """Number of the span that holds a time, allowing for its clock; -1 for none."""
    distances = [max(span.start_s - time_s, time_s - span.end_s, 0.0) for span in arrest]
    return int(np.argmin(distances)) if distances and min(distances) <= loose_s else -1


@dataclass(frozen=True)
class _Try:
    """One charted advanced airway: when, in how many attempts, and whether it went in; None where not charted."""

    time_s: float
    attempts: int | None
    success: bool | None


def _tries(case: Case) -> list[_Try]:
    """Advanced airways of the source that says most of them: two records of one incident may hold the same one twice."""
    by_source: dict[str, list[_Try]] = {}
    for row in case.told:
        if row.type == "airway_placed" and row.value in ADVANCED_AIRWAYS:
            said = dict(_PAIR.findall(str(row.text).casefold()))
            number, went_in = said.get("attempts", ""), said.get("successful")
            tried = _Try(
                row.time_s, int(number) if number.isdigit() else None, None if went_in is None else went_in in ("yes", "true")
            )
            by_source.setdefault(row.source, []).append(tried)
    if not by_source:
        raise NotMeasurable("no advanced airway was charted")
    return max(by_source.values(), key=lambda tries: (sum(one.attempts is not None for one in tries), len(tries)))


def airway_attempts(case: Case) -> Number:
    """How many attempts at an advanced airway were charted.

    Parameters: case, for its airway_placed events, whose text may say attempts=N.
    Returns: Number, a count; an entry without a number counts as one attempt, which the remark says.
    Raises: NotMeasurable when no advanced airway was charted.
    References: attempts as in NEMSIS eProcedures.05 (read).
    """
    tries = _tries(case)
    silent = sum(one.attempts is None for one in tries)
    count = float(sum(one.attempts or 1 for one in tries))
    times = moments(one.time_s for one in tries)
    remark = f"{silent} without a charted number, counted as one attempt each" if silent else None
    return Number(count, n=len(tries), low=count, high=count if not silent else None, remark=remark, spans_s=times)


def first_pass(case: Case) -> Number:
    """Whether the first advanced airway went in at the first attempt: 1 yes, 0 no.

    Parameters: case, for its airway_placed events, whose text may say attempts=N successful=yes.
    Returns: Number 0 or 1.
    Raises: NotMeasurable when no advanced airway, or no number of attempts, was charted.
    References: attempts and success as in NEMSIS eProcedures.05 and .06 (read).
    """
    first = _tries(case)[0]
    if first.attempts is None:
        raise NotMeasurable("the number of attempts was not charted: a care record with attempts would show it")
    return Number(float(first.attempts == 1 and first.success is not False), n=1, spans_s=moments([first.time_s]))
