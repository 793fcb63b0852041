"""How often charts like these signal where nothing changes: the number that stands on every page of charts.

Run rules: exact, in qi.trends.runs. Limits and further rules: unchanging series are drawn from the distribution that the kind
supposes, with the very n of the chart, and sent through the same functions that draw its limits.
"""

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.trends.chart import TOO_FEW, Chart, Limits, Section, beyond
from qi.trends.individuals import individual_limits, range_limits
from qi.trends.means import mean_limits, spread_limits
from qi.trends.proportions import proportion_limits
from qi.trends.rare_events import between_cases_limits, between_times_limits
from qi.trends.rates import rate_limits
from qi.trends.rules import RULES
from qi.trends.runs import chance_of_false_run, signs_of
from qi.trends.signals import known_rules

SERIES = 2000  # unchanging series drawn for each chart: the chance is off by about half a percentage point
_SEED = 2031

Drawn = tuple[np.ndarray, Limits]


@dataclass(frozen=True)
class FalseSignals:
    """What chance alone would show: by_chart the chance that each chart has a signal, 0 to 1."""

    by_chart: tuple[float, ...]

    @property
    def at_least_one(self) -> float:
        """Chance that any of the charts has a signal; measures that move together make it smaller."""
        return 1.0 - math.prod(1.0 - one for one in self.by_chart)

    @property
    def expected(self) -> float:
        """How many of the charts have a signal on average."""
        return sum(self.by_chart)

    @property
    def words(self) -> str:
        """The sentence for the page."""
        count = len(self.by_chart)
        if not count:
            return "No chart stands on this page."
        lead = "this chart shows" if count == 1 else f"at least one of these {count} charts shows"
        mean = "" if count == 1 else f", and on average {self.expected:.1f} of them do"
        return (
            f"Where nothing changes at all, {lead} a signal by chance with a probability of about {self.at_least_one * 100:.0f} %"
            f"{mean}. This holds for one look at independent values, near normal where limits are drawn about values; long tails "
            "make it more, and who looks each month sees more over the years."
        )


def false_signals(charts: Sequence[Chart], *, rules: Collection[str] = ()) -> FalseSignals:
    """Chance of false signals on a page of charts.

    Parameters: charts on the page; rules, names of qi.trends.rules.RULES asked for beside runs and limits.
    Returns: FalseSignals. Run rules are exact for the useful points on each side of each phase's centre; limits come from SERIES
    seeded series, normal for values and means (spread as 1/√n), binomial for shares, Poisson for rates, geometric for cases
    between events, exponential for times between them.
    Raises: UnknownWord when a rule is not known.
    References: our own; checked in the tests by unchanging agencies and by known tails.
    """
    known_rules(rules)
    return FalseSignals(tuple(_of_chart(chart, tuple(rules)) for chart in charts))


def _of_chart(chart: Chart, rules: Sequence[str]) -> float:
    kept = 1.0
    for section in chart.sections:
        kept *= (1.0 - by_runs(chart, section)) * (1.0 - by_limits(chart, section, rules))
    return 1.0 - kept


def by_runs(chart: Chart, section: Section) -> float:
    """Chance that an unchanging phase breaks a run rule; 0 where none is judged."""
    return chance_of_false_run(signs_of(section.rows(chart.points))) if section.runs else 0.0


def by_limits(chart: Chart, section: Section, rules: Sequence[str]) -> float:
    """Chance that an unchanging phase has a point beyond its limits, or fulfils a rule asked for; 0 where no limits are drawn."""
    rows = section.rows(chart.points)
    rows = rows[rows["judged"]]
    if chart.kind not in _UNCHANGING or section.strength == TOO_FEW:
        return 0.0
    values, limits = _UNCHANGING[chart.kind](np.random.default_rng(_SEED), rows, section)
    found = (beyond(values, limits.low, limits.high) != 0).any(axis=-1)
    if rules and not np.isnan(limits.z).any():
        found |= np.any([RULES[name].ends(limits.z).any(axis=-1) for name in rules], axis=0)
    return float(found.mean())


def _normal(rng: np.random.Generator, n: np.ndarray) -> np.ndarray:
    return rng.standard_normal((SERIES, len(n))) / np.sqrt(np.where(n > 0, n, 1.0))


def _individuals(rng: np.random.Generator, rows: pd.DataFrame, _: Section) -> Drawn:
    values = _normal(rng, rows["n"].to_numpy())
    return values, individual_limits(values, rows["baseline"].to_numpy())


def _moving_ranges(rng: np.random.Generator, rows: pd.DataFrame, _: Section) -> Drawn:
    n = rows["n"].to_numpy()
    ranges = np.abs(np.diff(_normal(rng, np.r_[n[:1], n]), axis=-1))
    return ranges, range_limits(ranges, rows["baseline"].to_numpy())


def _proportions(rng: np.random.Generator, rows: pd.DataFrame, section: Section, *, prime: bool = False) -> Drawn:
    n, share = rows["n"].to_numpy(), float(rows["centre"].iloc[0])
    if prime and (section.sigma_z or 0.0) > 1.0:
        scatter = (section.sigma_z or 1.0) * np.sqrt(share * (1.0 - share))
        count = np.clip(share + scatter * _normal(rng, n), 0.0, 1.0) * n
    else:
        count = rng.binomial(np.round(n).astype(int), share, (SERIES, len(n))).astype(float)
    return count / n, proportion_limits(count, n, rows["baseline"].to_numpy(), prime=prime)


def _rates(rng: np.random.Generator, rows: pd.DataFrame, section: Section, *, prime: bool = False) -> Drawn:
    exposure, rate = rows["n"].to_numpy(), float(rows["centre"].iloc[0])
    if prime and (section.sigma_z or 0.0) > 1.0:
        scatter = (section.sigma_z or 1.0) * np.sqrt(rate)
        count = np.maximum(rate + scatter * _normal(rng, exposure), 0.0) * exposure
    else:
        count = rng.poisson(rate * exposure, (SERIES, len(exposure))).astype(float)
    return count / exposure, rate_limits(count, exposure, rows["baseline"].to_numpy(), prime=prime)


def _spreads(rng: np.random.Generator, n: np.ndarray) -> np.ndarray:
    freedom = np.maximum(n - 1.0, 1.0)
    return np.sqrt(rng.chisquare(freedom, (SERIES, len(n))) / freedom)


def _means(rng: np.random.Generator, rows: pd.DataFrame, _: Section) -> Drawn:
    n = rows["n"].to_numpy()
    means = _normal(rng, n)
    return means, mean_limits(means, _spreads(rng, n), n, rows["baseline"].to_numpy())


def _deviations(rng: np.random.Generator, rows: pd.DataFrame, _: Section) -> Drawn:
    n = rows["n"].to_numpy()
    spreads = _spreads(rng, n)
    return spreads, spread_limits(spreads, n, rows["baseline"].to_numpy())


def _cases_between(rng: np.random.Generator, rows: pd.DataFrame, _: Section) -> Drawn:
    mean = float(rows.loc[rows["baseline"], "value"].mean())
    counts = rng.geometric(1.0 / (1.0 + mean), (SERIES, len(rows))) - 1.0
    return counts, between_cases_limits(counts, rows["baseline"].to_numpy())


def _times_between(rng: np.random.Generator, rows: pd.DataFrame, _: Section) -> Drawn:
    times = rng.standard_exponential((SERIES, len(rows)))
    return times, between_times_limits(times, rows["baseline"].to_numpy())


_UNCHANGING: dict[str, Callable[[np.random.Generator, pd.DataFrame, Section], Drawn]] = {
    "xmr": _individuals,
    "xmr log": _individuals,
    "mr": _moving_ranges,
    "p": _proportions,
    "p'": lambda rng, rows, section: _proportions(rng, rows, section, prime=True),
    "u": _rates,
    "u'": lambda rng, rows, section: _rates(rng, rows, section, prime=True),
    "x-bar": _means,
    "s": _deviations,
    "g": _cases_between,
    "t": _times_between,
}
