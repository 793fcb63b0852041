"""Time to the device, to the first shock and to epinephrine, those who never had it included; before and after a change.

A median among those alone who had it would leave out every case that went without: here they count.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from qi.model.errors import NotMeasurable
from qi.trends import columns_used as use
from qi.trends import utstein
from qi.trends.dates import CASE, counted, named
from qi.trends.effort import ENDED, RECORD_ENDS, end_of_effort, number
from qi.trends.effort import NEEDED as EFFORT
from qi.trends.incidence import CENSORED, DONE, NEVER, At, Incidence, incidence
from qi.trends.intervals import COUNTS_ONLY, percent, shown, shown_words

MARKS_S = (60.0, 120.0, 180.0)
_NOT_RECORDED = "nothing in the case could have recorded it"
_END_UNKNOWN = "when the effort or its record ended is not known"
_TIME_UNKNOWN = "it was done, at a time not known"
_ZEROS = {"first_compression": "the first compression", "patient_contact": "patient contact", "call": "the call"}


@dataclass(frozen=True)
class Asked:
    """What the time is to: its name, the moment it counts from, the columns it needs, and how a table tells of it.

    told gives for each case time_s [s], code (DONE, NEVER or CENSORED; missing for a case that is left out) and why it is left out.
    """

    label: str
    since: str
    needed: Sequence[str]
    told: Callable[[pd.DataFrame], pd.DataFrame]
    by_device: bool = True
    note: str = ""


@dataclass(frozen=True, eq=False)
class Curve:
    """A cumulative incidence for one group of cases, with what was left out of it and why."""

    asked: Asked
    label: str
    incidence: Incidence
    left_out: Mapping[str, int]
    late_end: int
    notes: Sequence[str] = ()

    @property
    def marks(self) -> tuple[At, ...]:
        """Shares by 60, 120 and 180 s."""
        return tuple(self.incidence.by(mark) for mark in MARKS_S)

    @property
    def shown(self) -> str:
        """counts only, grey or plain."""
        return shown(self.incidence.n)

    @property
    def once(self) -> tuple[str, ...]:
        """What is to be known of it beside its numbers; the same for all curves of one question."""
        return tuple(note for note in (self.asked.note, *self.notes) if note)

    def words(self) -> str:
        """In plain words, with what is to be known."""
        return " ".join((self.in_numbers(), *self.once))

    def in_numbers(self) -> str:
        """In plain words: shares by the marks, the median, who never had it, who is left out."""
        curve = self.incidence
        counts = f"done in {curve.done_n} of {counted(curve.n, 'case')}, the effort ended without it in {curve.never_n}"
        counts += f", the record ends first in {curve.censored_n}" if curve.censored_n else ""
        parts = [f"{self.asked.label}, from {self.asked.since}{f', {self.label}' if self.label else ''}: {counts}."]
        if self.shown != COUNTS_ONLY:
            parts += [f"{_by(self.marks)}.", _median(curve)]
        parts += [f"Left out: {', '.join(f'{count} ({why})' for why, count in self.left_out.items())}."] if self.left_out else []
        if self.late_end:
            parts.append(f"When the effort ended without it is not known in {self.late_end}: taken as the latest moment of all.")
        return " ".join(part for part in (*parts, shown_words(curve.n)) if part)


def _by(marks: Sequence[At]) -> str:
    said = [
        f"by {at.time_s:g} s {percent(at.value)} ({percent(at.low)} to {percent(at.high)})"
        if at.value is not None
        else f"by {at.time_s:g} s not known"
        for at in marks
    ]
    return ", ".join(said).capitalize()


def _median(curve: Incidence) -> str:
    low, high = (f"{end:.0f} s" if end is not None else "not reached" for end in curve.median_interval_s)
    if curve.median_s is None:
        return "Half of all cases: not reached."
    return f"Half of all cases by {curve.median_s:.0f} s (95 % interval {low} to {high})."


def _answer(
    table: pd.DataFrame, value: np.ndarray, never: np.ndarray, why: Mapping[str, np.ndarray], otherwise: str
) -> pd.DataFrame:
    """Times and codes; a case that is neither done, nor known to have gone without, is left out: see _told."""
    end = end_of_effort(table)
    end_s, done = end["end_s"].to_numpy(), ~np.isnan(value)
    ended, ends = (use.is_one_of(end["how"], how) & never & ~done for how in (ENDED, RECORD_ENDS))
    lost = (never & ~done & ~ended & ~ends) | (ends & np.isnan(end_s))
    code = np.select([done, lost, ended, ends], [DONE, np.nan, NEVER, CENSORED], np.nan)
    time = np.where(done, np.maximum(value, 0.0), np.where(ended | ends, end_s, np.nan))
    return _told(table, time, code, {_END_UNKNOWN: lost} | dict(why), otherwise)


def _told(table: pd.DataFrame, time: np.ndarray, code: np.ndarray, why: Mapping[str, np.ndarray], otherwise: str) -> pd.DataFrame:
    """Times and codes with the first reason in why whose flag a case without a code has, else the last one."""
    which = np.select(list(why.values()), list(range(len(why))), len(why))
    reasons = pd.Categorical.from_codes(np.where(np.isnan(code), which, -1), [*why, otherwise])
    return pd.DataFrame({"time_s": time, "code": code, "why": reasons}, index=table.index)


def device(kind: str, zero: str = "first_compression") -> Asked:
    """Time to a device of a kind, from the first compression, from patient contact or from the call.

    Parameters: kind, of qi.model.vocabulary.DEVICE_KINDS; zero, first_compression, patient_contact or call.
    Raises: KeyError for another zero.
    """
    column = use.device_column(kind, zero)
    status_column, low = use.part(column, "status"), use.part(column, "low")

    def told(table: pd.DataFrame) -> pd.DataFrame:
        applied, never, censored = (use.is_one_of(table[status_column], one) for one in ("applied", "never", "censored"))
        value = np.where(applied, number(table, column), np.nan)
        code = np.select([~np.isnan(value), never, censored], [DONE, NEVER, CENSORED], np.nan)
        time = np.where(code == DONE, np.maximum(value, 0.0), number(table, low))
        lost = (code == CENSORED) & np.isnan(time)
        code = np.where(lost, np.nan, code)
        not_recorded = use.is_one_of(table[status_column], "not recorded")
        why = {_TIME_UNKNOWN: applied, _END_UNKNOWN: lost, _NOT_RECORDED: not_recorded}
        return _told(table, time, code, why, "the case was not asked for it")

    name = {"itd": "ITD on", "mechanical_cpr": "Mechanical CPR on", "defib_pads": "Pads on", "capnography": "Capnography on"}
    label = name.get(kind, kind.replace("_", " ").capitalize())
    return Asked(label, _ZEROS[zero], (column, status_column, low), told, by_device=kind != "itd")


def _first_shock(table: pd.DataFrame) -> pd.DataFrame:
    value, rhythm = number(table, use.FIRST_SHOCK), utstein.shockable(table)
    elsewhere = [use.SHOCK_FROM_CALL, use.SHOCK_FROM_RHYTHM, use.SHOCK_FROM_PADS, use.SHOCK_PAUSE]
    shocked = table[elsewhere].notna().any(axis=1).to_numpy()
    asked = (rhythm == use.YES).to_numpy()
    recorded = table[use.HAS_RECORDING].to_numpy(dtype=bool)
    unknown = rhythm.isna().to_numpy()
    why = {"first rhythm not known": unknown, "first rhythm not shockable": ~asked, _TIME_UNKNOWN: shocked}
    return _answer(table, np.where(asked, value, np.nan), asked & recorded & ~shocked, why, _NOT_RECORDED)


def _epinephrine(table: pd.DataFrame) -> pd.DataFrame:
    value, doses = number(table, use.TIME_TO_EPINEPHRINE), number(table, use.EPINEPHRINE_DOSES)
    return _answer(table, value, (doses == 0) & np.isnan(value), {_TIME_UNKNOWN: doses > 0}, _NOT_RECORDED)


_CONTACT = "the later of patient contact and the start of the arrest"
_OTHER_ZERO = "Where the effort ended without it, the end counts from the crew's first compression."
FIRST_SHOCK = Asked(
    "First shock where the first rhythm was shockable",
    _CONTACT,
    (
        use.FIRST_SHOCK,
        use.SHOCK_FROM_CALL,
        use.SHOCK_FROM_RHYTHM,
        use.SHOCK_FROM_PADS,
        use.SHOCK_PAUSE,
        use.HAS_RECORDING,
        use.FIRST_RHYTHM,
        *EFFORT,
    ),
    _first_shock,
    note=_OTHER_ZERO,
)
EPINEPHRINE = Asked(
    "First epinephrine", _CONTACT, (use.TIME_TO_EPINEPHRINE, use.EPINEPHRINE_DOSES, *EFFORT), _epinephrine, note=_OTHER_ZERO
)


def times_to(table: pd.DataFrame, asked: Asked) -> pd.DataFrame:
    """Time and code of each case, for whoever wants the numbers behind a curve.

    Parameters: table, with the columns that asked needs, and excluded; asked, device(…), FIRST_SHOCK or EPINEPHRINE.
    Returns: key-less rows on the table's index, excluded cases left out: time_s [s], missing for an end at a time not known;
    code, missing for a case that is left out; why it is left out.
    Raises: BadTable for a missing column.
    """
    return asked.told(use.included(table, asked.needed))


def curves(table: pd.DataFrame, asked: Asked, *, since: date | None = None, with_device: bool = False) -> tuple[Curve, ...]:
    """Cumulative incidence of a time, for all cases, or before and after a change, or with and without the device, or both.

    Parameters: table, as in times_to, with call_day and device_used where they are asked for; asked; since, first day of the
    change; with_device, part the cases by whether the ITD was used in them.
    Returns: Curve, one a group that has a case with a known time or end; the parts in order of time, with the device first.
    Raises: NotMeasurable where no group has one; ValueError for the time to the ITD parted by the ITD; BadTable.
    """
    if with_device and not asked.by_device:
        raise ValueError("the time to the ITD cannot be parted by whether the ITD was used")
    told = times_to(table, asked)
    parting = ((use.CALL_DAY, since is not None), (use.DEVICE_USED, with_device))
    cases = use.included(table, (use.EXCLUDED, *(name for name, so in parting if so)))
    labels = _labels(cases, since, with_device=with_device)
    notes = [_DEVICE_NOTE] if with_device else []
    notes += ["What else changed on that day is not known here."] if since else []
    order = sorted(labels.unique(), key=lambda label: [part in label for part in ("a day not", "from", "ITD not", "without")])
    found = [_curve(asked, label, told[(labels == label).to_numpy()], notes) for label in order]
    made = tuple(one for one in found if one is not None)
    if not made:
        raise NotMeasurable(f"no case has a known time to {asked.label}, nor a known end without it")
    return made


_DEVICE_NOTE = (
    "Long arrests have more time for the device and for all else: with and without it, the cases differ before anything else does."
)


def _labels(cases: pd.DataFrame, since: date | None, *, with_device: bool) -> pd.Series:
    """The part that each case falls into, in words; "" where they are not parted."""
    parts = [pd.Series("", index=cases.index, dtype="str")]
    if since:
        day, said = use.need(cases, [use.CALL_DAY])[use.CALL_DAY], named(since.isoformat(), CASE)
        later = np.where((day >= pd.Timestamp(since)).to_numpy(), f"from {said}", f"before {said}")
        parts.append(pd.Series(later, index=cases.index, dtype="str").where(day.notna(), "on a day not known"))
    if with_device:
        told = use.said(use.need(cases, [use.DEVICE_USED])[use.DEVICE_USED])
        words = told.map({use.YES: "with the ITD", use.NO: "without the ITD"}).astype("str")
        parts.append(words.fillna("ITD not known"))
    told = pd.concat(parts, axis="columns", keys=range(len(parts)))
    which = told.groupby(list(told.columns), sort=False).ngroup().to_numpy()
    few = told.iloc[np.unique(which, return_index=True)[1]]
    joined = pd.array([", ".join(part for part in row if part) for row in few.itertuples(index=False)], dtype="str")
    return pd.Series(joined.take(which), index=cases.index)


def _curve(asked: Asked, label: str, told: pd.DataFrame, notes: Sequence[str]) -> Curve | None:
    known = told[told["code"].notna()]
    if known.empty:
        return None
    late = known["time_s"].isna()
    latest = known["time_s"].max()
    time = known["time_s"].fillna(0.0 if np.isnan(latest) else latest)
    left_out = told["why"].dropna().astype("str").value_counts(sort=False).to_dict()
    return Curve(asked, label, incidence(time, known["code"].astype(int)), left_out, int(late.sum()), tuple(notes))


def marks_table(found: Sequence[Curve]) -> pd.DataFrame:
    """What curves say at the marks, a row a group of cases.

    Parameters: found, of `curves`.
    Returns: label, n, done, never and record_ends (cases), for each mark by_60_s and so on with _low and _high (shares) and
    done_by_60_s and so on (cases), median_s, median_low_s and median_high_s [s] with done_by_median and so on (cases), left_out
    (cases); shares and medians are missing below 10 cases, and where they cannot be told or are not reached.
    """
    return pd.DataFrame([_marks_row(one) for one in found])


def _marks_row(one: Curve) -> dict[str, object]:
    curve, hidden = one.incidence, one.shown == COUNTS_ONLY
    row: dict[str, object] = {
        "label": one.label or "all cases",
        "n": curve.n,
        "done": curve.done_n,
        "never": curve.never_n,
        "record_ends": curve.censored_n,
    }
    for at in one.marks:
        name, known = f"by_{at.time_s:g}_s", at.value is not None and not hidden
        row |= {name: at.value if known else np.nan, f"{name}_low": at.low if known else np.nan}
        row |= {f"{name}_high": at.high if known else np.nan, f"done_{name}": curve.done_by(at.time_s)}
    low, high = curve.median_interval_s
    told = (("median_s", curve.median_s), ("median_low_s", low), ("median_high_s", high))
    for name, value in told:
        gone = value is None or hidden
        row |= {name: np.nan if gone else value, f"done_by_{name[:-2]}": np.nan if gone else curve.done_by(value or 0.0)}
    return row | {"left_out": sum(one.left_out.values())}
