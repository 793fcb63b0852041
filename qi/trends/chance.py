"""How often charts like these signal where nothing changes: the number that stands on every page of charts.

Run rules: exact, in qi.trends.runs. Limits and further rules: the chart's own cases are shuffled over its points, and sent through
the same functions that draw its limits; nothing is supposed about how they scatter.
"""

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from qi.trends.chart import TOO_FEW, Chart, Limits, Section, beyond
from qi.trends.individuals import individual_limits, range_limits
from qi.trends.means import mean_limits, spread_limits
from qi.trends.proportions import proportion_limits
from qi.trends.rare_events import between_cases_limits, between_times_limits
from qi.trends.rates import rate_limits
from qi.trends.rules import RULES
from qi.trends.runs import chance_of_false_run, signs_of
from qi.trends.shuffled import Redrawn, redrawn
from qi.trends.signals import known_rules

RUN, RANGES = "run", "mr"


@dataclass(frozen=True)
class FalseSignals:
    """What chance alone would show.

    by_chart is the chance that each chart has a signal, 0 to 1, None where it cannot be told; shuffled, a chart has limits, whose
    chance comes from its own cases.
    """

    by_chart: tuple[float | None, ...]
    shuffled: bool = False

    @property
    def told(self) -> tuple[float, ...]:
        """The chances that can be told."""
        return tuple(one for one in self.by_chart if one is not None)

    @property
    def at_least_one(self) -> float:
        """Chance that any of the charts has a signal; measures that move together make it smaller."""
        return 1.0 - math.prod(1.0 - one for one in self.told)

    @property
    def expected(self) -> float:
        """How many of the charts have a signal on average."""
        return sum(self.told)

    @property
    def words(self) -> str:
        """The sentences for the page."""
        if not self.by_chart:
            return "No chart stands on this page."
        untold = len(self.by_chart) - len(self.told)
        which = "this chart" if len(self.by_chart) == 1 else f"{untold} of these charts"
        lacks = f"Of {which} no chance of a false signal can be told: the cases behind the points are not at hand."
        return " ".join(([lacks] if untold else []) + self._told(len(self.told)))

    def _told(self, count: int) -> list[str]:
        if not count:
            return []
        if not any(self.told):
            these = "this chart" if count == 1 else "these charts"
            return [f"No signal is looked for in {these} yet, with so few useful points, so none can come by chance."]
        lead = "this chart shows" if count == 1 else f"at least one of these {count} charts shows"
        mean = "" if count == 1 else f", and on average {self.expected:.1f} of them do"
        how = (
            ["With limits it is reckoned from the chart's own cases, shuffled many times over its points."] if self.shuffled else []
        )
        return [
            f"Where nothing changes at all, {lead} a signal by chance with a probability of about {_percent(self.at_least_one)}"
            f"{mean}.",
            *how,
            "This holds for one look at independent cases; who looks each month sees more over the years.",
        ]


def false_signals(charts: Sequence[Chart], *, rules: Collection[str] = ()) -> FalseSignals:
    """Chance of false signals on a page of charts.

    Parameters: charts on the page; rules, names of qi.trends.rules.RULES asked for beside runs and limits.
    Returns: FalseSignals. Run rules are exact for the useful points on each side of each phase's centre; limits come from seeded
    shuffles of the phase's cases over its points, each with as many cases as it has. A chart of limits without its cases has None.
    Raises: UnknownWord when a rule is not known.
    References: our own; checked in the tests by unchanging agencies and by known tails.
    """
    known_rules(rules)
    found = tuple(_of_chart(chart, tuple(rules)) for chart in charts)
    return FalseSignals(found, any(chart.kind != RUN for chart, one in zip(charts, found, strict=True) if one))


def by_runs(chart: Chart, section: Section) -> float:
    """Chance that an unchanging phase breaks a run rule; 0 where none is judged."""
    return chance_of_false_run(signs_of(section.rows(chart.points))) if section.runs else 0.0


def by_limits(chart: Chart, section: Section, rules: Sequence[str]) -> float | None:
    """Chance that an unchanging phase has a point beyond its limits, or fulfils a rule asked for.

    Returns: 0 where no limits are drawn; None where the chart has no cases to shuffle.
    """
    if chart.kind == RUN or section.strength == TOO_FEW:
        return 0.0
    if chart.cases is None:
        return None
    rows = section.rows(chart.points)
    judged = held = rows["judged"].to_numpy()
    if chart.kind == RANGES:
        held = (chart.cases.sizes[section.first : section.last + 1] > 0) & ~rows["excluded"].to_numpy()
    points = redrawn(chart.cases, section.first + np.flatnonzero(held))
    with np.errstate(divide="ignore", invalid="ignore"):
        values, limits = _unchanging(chart.kind, points, judged[held], rows["baseline"].to_numpy()[held])
    found = (beyond(values, limits.low, limits.high) != 0).any(axis=-1)
    z = limits.z[:, ~np.isnan(limits.z).all(axis=0)]
    if rules and z.size:
        found |= np.any([RULES[name].ends(z).any(axis=-1) for name in rules], axis=0)
    return float(found.mean()) if len(found) else None


def _of_chart(chart: Chart, rules: Sequence[str]) -> float | None:
    kept = 1.0
    for section in chart.sections:
        limits = by_limits(chart, section, rules)
        if limits is None:
            return None
        kept *= (1.0 - by_runs(chart, section)) * (1.0 - limits)
    return 1.0 - kept


def _percent(chance: float) -> str:
    """In whole percent; at the ends, that it is not quite none or all."""
    return "under 1 %" if chance < 0.01 else "over 99 %" if chance > 0.99 else f"{chance * 100:.0f} %"


def _unchanging(kind: str, points: Redrawn, judged: np.ndarray, baseline: np.ndarray) -> tuple[np.ndarray, Limits]:
    """Values of the judged points, and the limits that their kind draws about them; logarithms of the series that have them."""
    if kind == RANGES:
        ranges = np.abs(np.diff(points.value, axis=-1))[:, judged[1:]]
        return ranges, range_limits(ranges, baseline[judged])
    values = points.sd if kind == "s" else points.value
    if kind == "xmr log":
        values = np.log(values[(values > 0).all(axis=-1)])
    return values, _LIMITS[kind](points, values, baseline)


def _shares(points: Redrawn, values: np.ndarray, baseline: np.ndarray, *, prime: bool = False) -> Limits:
    return proportion_limits(values * points.n, points.n, baseline, prime=prime)


def _rates(points: Redrawn, values: np.ndarray, baseline: np.ndarray, *, prime: bool = False) -> Limits:
    return rate_limits(values * points.n, points.n, baseline, prime=prime)


_LIMITS: dict[str, Callable[[Redrawn, np.ndarray, np.ndarray], Limits]] = {
    "xmr": lambda _, values, baseline: individual_limits(values, baseline),
    "xmr log": lambda _, values, baseline: individual_limits(values, baseline),
    "p": _shares,
    "p'": partial(_shares, prime=True),
    "u": _rates,
    "u'": partial(_rates, prime=True),
    "x-bar": lambda points, values, baseline: mean_limits(values, points.sd, points.n, baseline),
    "s": lambda points, values, baseline: spread_limits(values, points.n, baseline),
    "g": lambda _, values, baseline: between_cases_limits(values, baseline),
    "t": lambda _, values, baseline: between_times_limits(values, baseline),
}
