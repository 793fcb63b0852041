"""Which chart fits which measure: the first view, the chart with limits, and what it may be changed to."""

from collections.abc import Callable
from dataclasses import dataclass

from qi.model.errors import UnknownWord
from qi.trends.chart import Chart
from qi.trends.individuals import individuals, log_individuals, moving_range
from qi.trends.means import mean_chart, spread_chart
from qi.trends.proportions import p_chart, p_prime_chart
from qi.trends.rare_events import g_chart, t_chart
from qi.trends.rates import u_chart, u_prime_chart
from qi.trends.run_chart import run_chart


@dataclass(frozen=True)
class Kind:
    """A kind of chart: what a person reads, its maker (table, plan, unit, every), and the columns its table needs beside label
    and start."""

    name: str
    maker: Callable[..., Chart]
    needs: tuple[str, ...]


KINDS = {
    "run": Kind("run chart", run_chart, ("value",)),
    "xmr": Kind("individuals chart", individuals, ("value",)),
    "xmr log": Kind("individuals chart of logarithms", log_individuals, ("value",)),
    "mr": Kind("moving range chart", moving_range, ("value",)),
    "p": Kind("p chart", p_chart, ("count", "n")),
    "p'": Kind("p' chart", p_prime_chart, ("count", "n")),
    "u": Kind("u chart", u_chart, ("count", "exposure")),
    "u'": Kind("u' chart", u_prime_chart, ("count", "exposure")),
    "x-bar": Kind("X-bar chart", mean_chart, ("n", "mean", "sd")),
    "s": Kind("S chart", spread_chart, ("n", "mean", "sd")),
    "g": Kind("g chart", g_chart, ("value",)),
    "t": Kind("t chart", t_chart, ("value",)),
}


@dataclass(frozen=True)
class Choice:
    """The kinds that fit one sort of points: which is shown first, which carries limits, which go beside it or instead, and why."""

    first: str
    limits: str
    others: tuple[str, ...]
    why: str

    @property
    def kinds(self) -> tuple[str, ...]:
        """All kinds it may be changed to, the first view first."""
        return tuple(dict.fromkeys((self.first, self.limits, *self.others)))


# The research note's table of measures and charts (secondary sources and common practice); the order of others is ours.
CHOICES = {
    "median of cases": Choice(
        "run", "xmr", ("xmr log", "mr"), "medians have no simple law of their scatter: limits from neighbours"
    ),
    "case values": Choice("run", "xmr", ("xmr log", "mr"), "few cases: each is a point; values with a long tail on logarithms"),
    "mean of cases": Choice("run", "x-bar", ("s", "xmr"), "two or more cases a period, near symmetric; S since n varies"),
    "share of cases": Choice("run", "p", ("p'", "xmr"), "counts out of n; p' where n is large or the points scatter more"),
    "share done in time": Choice("run", "p", ("p'", "xmr"), "counts out of n, those who never had it among the n"),
    "share of chances": Choice("run", "xmr", ("p'",), "several chances in one patient hang together: not binomial"),
    "time-pooled share": Choice("run", "xmr", ("xmr log", "mr"), "all seconds of a period together: limits from neighbours"),
    "events per exposure": Choice("run", "u", ("u'",), "counts over minutes of CPR, or other exposure"),
    "cases between rare events": Choice("g", "g", (), "most months have none: count the cases from one to the next"),
    "time between rare events": Choice("t", "t", (), "most months have none: take the time from one to the next"),
}


def choose(points: str) -> Choice:
    """The chart for one sort of points.

    Parameters: points, a key of CHOICES.
    Returns: Choice; the first view of all that is not rare is the run chart.
    Raises: UnknownWord when the sort is not known.
    """
    if points not in CHOICES:
        raise UnknownWord("sort of points", points, CHOICES)
    return CHOICES[points]


def sorts_of(unit: str, *, yes_or_no: bool, limit: bool) -> tuple[str, ...]:
    """The sorts of points that a measure offers, the usual one first.

    Parameters: unit of the measure; yes_or_no, each case answers with 0 or 1 only; limit, the measure is judged.
    Returns: keys of CHOICES. A count (unit count) becomes events per exposure only where the caller knows the exposure.
    """
    if yes_or_no:
        return ("share of cases",)
    sorts = ("median of cases", "case values", "mean of cases")
    if unit == "count":
        sorts = ("mean of cases", "case values", "median of cases")
    return (*sorts, "share of cases") if limit else sorts
