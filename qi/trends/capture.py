"""Capture: of the arrests that dispatch and care records know, how many have a recording and how many are measurable; by sensor.

A change of equipment changes what is seen: beside every trend stands what saw it, so that it does not look like improvement.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import pandas as pd

from qi.model.errors import NotMeasurable
from qi.model.words import many
from qi.trends import columns_used as use
from qi.trends.dates import CASE, named
from qi.trends.intervals import COUNTS_ONLY, Share, percent, share

_COUNTED = ("known", "recorded", "measurable", "elsewhere")
BREATHS = "breaths: "
NONE_SEEN = "no sensor"
UNLISTED = "Arrests of which nothing was brought in are not counted here: a list from dispatch would add them."


@dataclass(frozen=True, eq=False)
class Capture:
    """How much of what happened was recorded.

    months, a row a month: month (2031-03), known (arrests), recorded, measurable, elsewhere (known only outside this library),
    and the shares of those known with their Wilson intervals (recorded_share, recorded_low, …). all months together are in
    recorded and measurable. undated, cases whose call has no time; why, why a list that is kept is not counted, as a sentence.
    """

    months: pd.DataFrame
    recorded: Share
    measurable: Share
    undated: int
    elsewhere_told: bool
    why: str = ""

    def words(self) -> str:
        """In plain words."""
        source = "dispatch and care records know" if self.elsewhere_told else "this library knows"
        text = f"Of the arrests that {source}, recorded: {self.recorded.words()}; measurable: {self.measurable.words()}."
        if not self.elsewhere_told:
            text += f" {self.why or UNLISTED}"
        return text + (f" The time of {many(self.undated, 'call')} is not known." if self.undated else "")

    def in_short(self) -> str:
        """One line, to stand beside a trend."""
        known = f"Of {many(self.recorded.n, 'arrest')} known{'' if self.elsewhere_told else ' to this library'}"
        told = [
            f"{one.count:,}{'' if one.shown == COUNTS_ONLY else f' ({percent(one.value)})'} {is_ if one.count == 1 else are} {what}"
            for one, is_, are, what in (
                (self.recorded, "was", "were", "recorded"),
                (self.measurable, "is", "are", "measurable"),
            )
        ]
        return f"{known}, {' and '.join(told)}.{f' {self.why}' if self.why else ''}"


def capture(table: pd.DataFrame, known: pd.DataFrame | None = None, why: str = "") -> Capture:
    """Arrests known, recorded and measurable, by month.

    Parameters: table, with case_id, year, month, has_recording and measurable: excluded cases too, since they happened; known, a
    list from dispatch or care records with case_id, year and month, None where there is none, or none that fits the choice of
    cases; why, then, as a sentence.
    Returns: Capture. An arrest in both is one arrest, by its number; one that is only in the list has no recording here.
    Raises: NotMeasurable where no arrest is known; BadTable for a missing column.
    References: our definition.
    """
    use.need(table, (use.CASE_ID, use.YEAR, use.MONTH, use.HAS_RECORDING, use.MEASURABLE))
    told = table[[use.YEAR, use.MONTH]].assign(
        recorded=table[use.HAS_RECORDING], measurable=table[use.MEASURABLE], elsewhere=False, known=True
    )
    if known is not None:
        outside = use.need(known, (use.CASE_ID, use.YEAR, use.MONTH)).drop_duplicates(use.CASE_ID)
        outside = outside[~outside[use.CASE_ID].astype("str").isin(set(table[use.CASE_ID].astype("str")))]
        more = outside[[use.YEAR, use.MONTH]].assign(recorded=False, measurable=False, elsewhere=True, known=True)
        told = pd.concat([told, more], ignore_index=True).astype({use.YEAR: int, use.MONTH: int})
    if told.empty:
        raise NotMeasurable("no arrest is known")
    dated = told[(told[use.MONTH] > 0).to_numpy()]
    months = dated.groupby([use.YEAR, use.MONTH], sort=True)[list(_COUNTED)].sum().astype(int).reset_index()
    months = months[list(_COUNTED)].set_index(use.month_label(months).rename("month"))
    shares = [_shares(one) for one in months.to_dict("records")]
    recorded, measurable = (share(int(told[name].sum()), len(told)) for name in ("recorded", "measurable"))
    found = months.reset_index().join(pd.DataFrame(shares))
    return Capture(found, recorded, measurable, len(told) - len(dated), known is not None, "" if known is not None else why)


def _shares(counts: dict[str, int]) -> dict[str, float | str]:
    found: dict[str, float | str] = {}
    for name in ("recorded", "measurable"):
        one = share(counts[name], counts["known"])
        hidden = one.shown == COUNTS_ONLY
        for part in ("value", "low", "high"):
            found[f"{name}_{'share' if part == 'value' else part}"] = float("nan") if hidden else getattr(one, part)
        found["shown"] = one.shown
    return found


def kinds(sensors: str) -> Sequence[str]:
    """The kinds of sensors of a case, from how the cohort table writes them: those of compressions, then those of breaths."""
    presses, _, breaths = sensors.partition("/")
    named_ = [*(kind for kind in presses.split("+") if kind), *(f"{BREATHS}{kind}" for kind in breaths.split("+") if kind)]
    return tuple(named_) or (NONE_SEEN,)


def by_sensor(table: pd.DataFrame) -> pd.DataFrame:
    """Cases by month and kind of sensor; a case with two kinds counts under both.

    Parameters: table, with year, month, sensors and measurable; excluded cases too.
    Returns: month, sensor, cases, measurable (of them), known (arrests of the month), in order of month and sensor.
    Raises: BadTable for a missing column.
    """
    use.need(table, (use.YEAR, use.MONTH, use.SENSORS, use.MEASURABLE))
    told = pd.DataFrame({"month": use.month_label(table), "measurable": table[use.MEASURABLE], "sensor": _sensors(table)})
    known = told.groupby("month").size()
    alike = told.groupby(["month", "sensor"], sort=False)["measurable"].agg(cases="size", measurable="sum").reset_index()
    alike["sensor"] = alike["sensor"].map(kinds).astype(object)
    rows = alike.explode("sensor").groupby(["month", "sensor"], sort=True)[["cases", "measurable"]].sum()
    rows["known"] = known.reindex(rows.index.get_level_values("month")).to_numpy()
    return rows.reset_index().astype({"measurable": int})


def _sensors(table: pd.DataFrame) -> pd.Series:
    return table[use.SENSORS].astype("str").fillna("")


@dataclass(frozen=True)
class SensorShift:
    """How often a kind of sensor saw a case before a day, and from that day on."""

    sensor: str
    before: Share
    after: Share

    @property
    def apart(self) -> bool:
        """The two intervals do not meet: the equipment differs by more than chance would often give."""
        return self.before.n > 0 and self.after.n > 0 and (self.before.high < self.after.low or self.after.high < self.before.low)

    def words(self) -> str:
        """In plain words."""
        return f"{self.sensor}: in {self.before.words()} before, in {self.after.words()} after."


def sensors_across(table: pd.DataFrame, since: date) -> tuple[tuple[SensorShift, ...], str]:
    """The kinds of sensors before and after a day, and a sentence that warns where they differ.

    Parameters: table, with call_day and sensors; excluded cases left out; since, first day of the change.
    Returns: a SensorShift for each kind in order of its name; the warning, which says so too where nothing differs.
    Raises: BadTable for a missing column.
    """
    cases = use.need(use.included(table), (use.CALL_DAY, use.SENSORS))
    cases = cases[cases[use.CALL_DAY].notna()]
    after = (cases[use.CALL_DAY] >= pd.Timestamp(since)).to_numpy()
    told = _sensors(cases)
    of = {one: kinds(one) for one in told.unique()}
    shifts = []
    for sensor in sorted({kind for one in of.values() for kind in one}):
        has = told.isin([one for one, seen in of.items() if sensor in seen]).to_numpy()
        shifts.append(
            SensorShift(
                sensor,
                share(int((has & ~after).sum()), int((~after).sum())),
                share(int((has & after).sum()), int(after.sum())),
            )
        )
    other = [f"{one.sensor} ({percent(one.before.value)}, then {percent(one.after.value)})" for one in shifts if one.apart]
    day = named(since.isoformat(), CASE)
    if other:
        warning = (
            f"Other sensors saw the cases from {day} on: {', '.join(other)}. A difference across that day can be the equipment's "
            "alone; compare within one kind of sensor."
        )
    else:
        warning = f"No kind of sensor became clearly more or less frequent on {day}; a small change can still go unseen."
    return tuple(shifts), warning
