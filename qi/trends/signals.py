"""Signals on a chart: too long a run, too few crossings, a point beyond the limits; further rules only where asked for.

A signal says that a pattern is unlikely by chance. It names no cause and judges nobody.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from qi.model.errors import UnknownWord
from qi.trends.chart import Chart, Section, beyond
from qi.trends.rules import RULES
from qi.trends.runs import chance, fewest_crossings, longest_allowed, runs_of, signs_of

LONG_RUN, FEW_CROSSINGS, BEYOND_LIMITS = "long run", "few crossings", "beyond limits"


@dataclass(frozen=True)
class Signal:
    """One signal: its rule, its phase, and its rows in the chart's points, from first to last.

    above says on which side, None where the rule has none. count is the points of a run or the crossings, allowed the most or
    fewest that are no signal, of the useful points they are counted among. chance is that of the same or more in a series where
    nothing changes. ongoing: the last useful point of the chart is part of it. skipped counts rows within it that did not count.
    """

    rule: str
    phase: int
    first: int
    last: int
    above: bool | None = None
    count: int | None = None
    allowed: int | None = None
    of: int | None = None
    chance: float | None = None
    ongoing: bool = False
    skipped: int = 0


def signals(chart: Chart, *, rules: Collection[str] = ()) -> tuple[Signal, ...]:
    """All signals of a chart, phase by phase.

    Parameters: chart; rules, names of qi.trends.rules.RULES asked for beside runs and limits.
    Returns: signals, those of runs first; none for run rules below ten useful points.
    Raises: UnknownWord when a rule is not known.
    References: runs and crossings, Anhøj and Olesen, PLoS ONE 9 (2014) e113825 (secondary copy read); limits, Shewhart's three
    sigmas.
    """
    known_rules(rules)
    found: list[Signal] = []
    for section in chart.sections:
        rows = section.rows(chart.points)
        if section.runs:
            found += _of_runs(rows, section, ends=section is chart.sections[-1])
        found += _of_limits(rows, section)
        found += _of_rules(rows, section, rules) if rules else ()
    return tuple(found)


def known_rules(rules: Collection[str]) -> None:
    """Refuse a rule that is not in the list."""
    for name in rules:
        if name not in RULES:
            raise UnknownWord("rules", name, RULES)


def _of_runs(rows: pd.DataFrame, section: Section, *, ends: bool) -> Iterator[Signal]:
    """Runs that are too long, and crossings that are too few; ends, it is the last phase of the chart."""
    found = runs_of(rows)
    allowed, fewest = longest_allowed(found.useful), fewest_crossings(found.useful)
    signs = signs_of(rows)
    for (first, last, above), length in zip(found.stretches, found.lengths, strict=True):
        if length > allowed:
            rare = chance(signs, longest=length - 1, crossings=0)
            ongoing = ends and last == found.stretches[-1][1]
            at = section.first + first, section.first + last
            skipped = last - first + 1 - length
            yield Signal(LONG_RUN, section.number, *at, above, length, allowed, found.useful, rare, ongoing, skipped)
    if found.crossings < fewest:
        rare = chance(signs, longest=found.useful, crossings=found.crossings + 1)
        at = section.first + found.stretches[0][0], section.first + found.stretches[-1][1]
        yield Signal(FEW_CROSSINGS, section.number, *at, None, found.crossings, fewest, found.useful, rare, ends)


def _of_limits(rows: pd.DataFrame, section: Section) -> Iterator[Signal]:
    out = beyond(*(rows[name].to_numpy() for name in ("value", "low", "high"))) * rows["judged"].to_numpy()
    for at in np.flatnonzero(out):
        row = section.first + int(at)
        yield Signal(BEYOND_LIMITS, section.number, row, row, bool(out[at] > 0))


def _of_rules(rows: pd.DataFrame, section: Section, rules: Collection[str]) -> Iterator[Signal]:
    """Each rule at the points where it is fulfilled; points that are not judged are stepped over."""
    at = np.flatnonzero(rows["judged"].to_numpy() & rows["z"].notna().to_numpy())
    z = rows["z"].to_numpy()[at]
    for name in rules:
        for end in np.flatnonzero(RULES[name].ends(z)):
            first = section.first + int(at[max(0, int(end) - RULES[name].span + 1)])
            yield Signal(name, section.number, first, section.first + int(at[end]))
