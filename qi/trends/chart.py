"""One process-behaviour chart: its points with centre and limits, phase by phase, and what a person must know to read it."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from qi.model.errors import BadTable
from qi.model.tables import Column, make
from qi.trends.baselines import Plan, place
from qi.trends.dates import CASE, counted, named
from qi.trends.runs import FEWEST_USEFUL, MOST_BY_CHANCE, chance_of_false_run, runs_of, signs_of
from qi.trends.shuffled import CasesBehind

TRIAL_FROM = 12  # points from which limits are drawn at all (from memory, medium: Provost and Murray)
FIRM_FROM = 20  # points from which they are firm (from memory, medium: Montgomery, 20 to 25)
TOO_FEW, TRIAL, FIRM = "too few", "trial", "firm"

POINTS = (
    Column("label", "text", "", "month, quarter or case", may_lack=False),
    Column("start", "text", "", "its first day, YYYY-MM-DD", may_lack=False),
    Column("x", "float", "", "events counted, on charts of counts"),
    Column("n", "float", "", "cases behind the point, or exposure on charts of events per exposure"),
    Column("value", "float", "", "what is drawn, in the chart's unit; missing where the period has none"),
    Column("centre", "float", "", "centre line"),
    Column("low", "float", "", "lower limit; missing where none is drawn"),
    Column("high", "float", "", "upper limit; missing where none is drawn"),
    Column("z", "float", "", "distance from the centre in sigmas; missing where the kind has no such scale"),
    Column("phase", "float", "", "number of the phase, from 1", may_lack=False),
    Column("baseline", "flag", "", "centre and limits come from this point"),
    Column("judged", "flag", "", "signals are looked for here"),
    Column("excluded", "flag", "", "left out by a person; stays visible"),
    Column("why", "text", "", "the reason it was left out"),
    Column("useful", "flag", "", "judged, and off the centre: counts in the run rules"),
)


@dataclass(frozen=True)
class Limits:
    """Centre and limits of one phase, a value a point; z is the distance in sigmas, sigma_z the scatter against what n allows."""

    centre: np.ndarray
    low: np.ndarray
    high: np.ndarray
    z: np.ndarray
    sigma_z: float | None = None


LimitsOf = Callable[[pd.DataFrame, np.ndarray], Limits]


@dataclass(frozen=True)
class Section:
    """One phase as drawn: its rows [first, last], why it began, and what its centre and limits rest on.

    points are those of its baseline; frozen is the day of the baseline's end, empty where it has none; strength is too few, trial
    or firm; runs says that run rules are judged, for which there are enough useful points and they are not all on one side.
    """

    number: int
    first: int
    last: int
    reason: str
    points: int
    frozen: str
    strength: str
    sigma_z: float | None
    runs: bool = False

    def rows(self, points: pd.DataFrame) -> pd.DataFrame:
        """Its rows of the chart's points."""
        return points if self.last - self.first + 1 == len(points) else points.iloc[self.first : self.last + 1]


@dataclass(frozen=True, eq=False)
class Chart:
    """A process-behaviour chart as a table; nothing in it is a verdict on anybody.

    kind is a key of qi.trends.kinds.KINDS; every is month, quarter or case; unit is that of the values; centre_name is what the
    centre line is called; plan is what people set; notes are sentences that stand under the chart; cases, those behind the points,
    None where they are not at hand.
    """

    kind: str
    every: str
    unit: str
    centre_name: str
    points: pd.DataFrame
    sections: tuple[Section, ...]
    plan: Plan
    notes: tuple[str, ...]
    cases: CasesBehind | None = None

    @property
    def sigma_z(self) -> tuple[float | None, ...]:
        """Of each phase, how far the points scatter against what their n allows; None where the kind does not ask."""
        return tuple(section.sigma_z for section in self.sections)


@dataclass(frozen=True)
class Look:
    """How a kind is drawn: its key, the name of its centre line, whether limits and runs are judged, and what to say of it."""

    kind: str
    centre_name: str
    limits: bool = True
    runs: bool = True
    remarks: tuple[str, ...] = ()


def draw(look: Look, table: pd.DataFrame, plan: Plan, limits_of: LimitsOf, *, unit: str, every: str) -> Chart:
    """Place the points under a plan and draw centre and limits phase by phase.

    Parameters: look, the kind; table, a row a point in order, with label, start, value and, where the kind has them, x and n;
    plan, what people set; limits_of, from the rows of one phase and the flags of its baseline to Limits; unit; every.
    Returns: Chart. Limits are left away below TRIAL_FROM points, the centre where there is no point at all.
    Raises: BadTable when a column is missing, points are out of order or two share a label.
    """
    rows = _ordered(table)
    placed = place(rows["label"], rows["start"], rows["value"].notna().to_numpy(), plan)
    drawn, sections = [], []
    for number in sorted(placed["phase"].unique()):
        at = np.flatnonzero(placed["phase"] == number)
        part = rows if len(at) == len(rows) else rows.iloc[at]
        limits, section = _section(look, part, placed["baseline"].to_numpy()[at], at, plan, int(number), limits_of)
        drawn.append(limits)
        sections.append(section)
    lines = {name: np.concatenate([getattr(one, name) for one in drawn] or [[]]) for name in ("centre", "low", "high", "z")}
    useful = placed["judged"].to_numpy() & off_centre(rows["value"].to_numpy(), lines["centre"])
    columns = {name: rows[name] for name in ("label", "start", "x", "n", "value")}
    points = make(POINTS, **columns, **lines, **{name: placed[name] for name in placed.columns}, useful=useful)
    lacks = [_no_runs(section.rows(points)) if look.runs else "" for section in sections]
    sections = [replace(section, runs=look.runs and not lack) for section, lack in zip(sections, lacks, strict=True)]
    notes = (*_said(look, points, sections, lacks, plan, every), *look.remarks)
    return Chart(look.kind, every, unit, look.centre_name, points, tuple(sections), plan, notes)


def noted(chart: Chart, notes: Iterable[str]) -> Chart:
    """The chart with more to say under it."""
    return replace(chart, notes=(*chart.notes, *notes))


def off_centre(values: np.ndarray, centre: np.ndarray) -> np.ndarray:
    """Whether each value lies off the centre, by more than rounding of floats."""
    return np.abs(values - centre) > 1e-9 * np.maximum(1.0, np.abs(centre))


def beyond(values: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """1 above the upper limit, -1 below the lower one, otherwise 0; a value on a limit is not beyond it."""
    edge = 1e-9 * np.maximum(1.0, np.abs(values))
    return np.where(values > high + edge, 1, np.where(values < low - edge, -1, 0))


def _ordered(table: pd.DataFrame) -> pd.DataFrame:
    if missing := [name for name in ("label", "start", "value") if name not in table.columns]:
        raise BadTable(f"a table of points lacks {', '.join(missing)}")
    columns: dict[str, object] = {name: table[name].array for name in table.columns}
    for name in ("x", "n", "value"):
        columns[name] = table[name].to_numpy(dtype=float) if name in columns else np.full(len(table), np.nan)
    if not table["start"].is_monotonic_increasing:
        raise BadTable("the points are not in the order of their first days")
    if not table["label"].is_unique:
        raise BadTable(f"two points are called {table.loc[table['label'].duplicated(), 'label'].iloc[0]}")
    return pd.DataFrame(columns)


def _section(
    look: Look, rows: pd.DataFrame, baseline: np.ndarray, at: np.ndarray, plan: Plan, number: int, limits_of: LimitsOf
) -> tuple[Limits, Section]:
    """Centre and limits of one phase, with the limits left away where too few points carry them."""
    count = int(baseline.sum())
    none = np.full(len(rows), np.nan)
    limits = limits_of(rows, baseline) if count else Limits(none, none, none, none)
    strength = TOO_FEW if count < TRIAL_FROM else TRIAL if count < FIRM_FROM else FIRM
    if strength == TOO_FEW:
        limits = Limits(limits.centre, none, none, none, limits.sigma_z if count > 1 else None)
    frozen = plan.baseline_of(number)
    reason = plan.reason_of(number)
    end = frozen.end if frozen else ""
    return limits, Section(number, int(at[0]), int(at[-1]), reason, count, end, strength, limits.sigma_z)


def _said(look: Look, points: pd.DataFrame, sections: Sequence[Section], lacks: Sequence[str], plan: Plan, every: str) -> list[str]:
    """What the chart says of its own baselines, phases, left-out points and few points; lacks, as of _no_runs, one a phase."""
    said = []
    for section, lack in zip(sections, lacks, strict=True):
        where = f"Phase {section.number}: " if len(sections) > 1 else ""
        if section.number > 1:
            since = named(points["start"].iloc[section.first], every)
            said.append(f"Phase {section.number} from {since}, set by a person. Reason given: {section.reason}.")
        if frozen := plan.baseline_of(section.number):
            day = named(frozen.end, CASE)
            what = "Centre and limits are" if look.limits else "The centre is"
            said.append(f"{where}{what} frozen from the points up to {day}. Reason given: {frozen.reason}.")
        said += _strength(look, section, where)
        said += [_begun(where, lack)] if lack else []
    drawn = {section.number for section in sections}
    for phase in plan.phases:
        if plan.phase_of(phase.start) not in drawn:
            said.append(f"A phase is set from {named(phase.start, CASE)}; it has no point here. Reason given: {phase.reason}.")
    labels = set(points["label"])
    for point in plan.excluded:
        here = "left out, still shown" if point.label in labels else "set to be left out, but not on this chart"
        said.append(f"{point.label} is {here}. Reason given: {point.reason}.")
    return said


def _strength(look: Look, section: Section, where: str) -> list[str]:
    if not look.limits:
        return []
    base = counted(section.points, "point")
    text = {
        TOO_FEW: f"{base}: too few for limits, which need {TRIAL_FROM}",
        TRIAL: f"limits from {base}: trial, firm from {FIRM_FROM}",
        FIRM: f"limits from {base}",
    }[section.strength]
    return [_begun(where, text)]


def _no_runs(rows: pd.DataFrame) -> str:
    """Why run rules are not judged in a phase; empty where they are."""
    useful = runs_of(rows).useful
    if useful < FEWEST_USEFUL:
        return f"{counted(useful, 'useful point')}: too few for run rules, which need {FEWEST_USEFUL}"
    if chance_of_false_run(signs_of(rows)) > MOST_BY_CHANCE:
        return "too many points on the centre or on one side of it for run rules, which would signal by chance alone"
    return ""


def _begun(where: str, text: str) -> str:
    return f"{where}{text if where else text[0].upper() + text[1:]}."
