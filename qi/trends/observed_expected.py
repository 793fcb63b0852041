"""Observed over expected: a group's outcomes against what a reference's rates would give for the same mix of Utstein strata."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from qi.model.errors import NotMeasurable
from qi.trends import columns_used as use
from qi.trends import utstein
from qi.trends.during_arrest import refuse_outcome_by
from qi.trends.grouping import group_of, in_order
from qi.trends.intervals import COUNTS_ONLY, byar_count, exact_count, shown
from qi.trends.outcomes import columns_of, outcome_of
from qi.trends.shrinkage import MEDIAN_ODDS_RATIO, expected_next, reliability_of_share, spread_of


@dataclass(frozen=True)
class Reference:
    """Rates to hold groups against: for each stratum how many cases, and how many of them had the outcome; and whose they are."""

    name: str
    strata: Mapping[str, tuple[int, int]]

    @property
    def overall(self) -> float:
        """The reference's own share over all strata."""
        return sum(had for _, had in self.strata.values()) / sum(cases for cases, _ in self.strata.values())

    def rate(self, stratum: str) -> float | None:
        """The share in one stratum; None where the reference has no case of it."""
        cases, had = self.strata.get(stratum, (0, 0))
        return had / cases if cases else None


@dataclass(frozen=True)
class Ratio:
    """A group's outcomes against those expected of its mix of cases.

    n cases with a known outcome and stratum; observed and expected, how many had the outcome; ratio with exact_* and byar_*
    limits (95 %), taking the expected number as fixed; crude, the share as it is; adjusted, ratio × the reference's overall
    share; left_out, cases without a known outcome or stratum; z, distance from what is expected in its own standard deviations;
    usual, the reference's overall share.
    """

    group: str
    n: int
    observed: int
    expected: float
    ratio: float
    exact_low: float
    exact_high: float
    byar_low: float
    byar_high: float
    crude: float
    adjusted: float
    z: float
    left_out: int
    reference: str
    usual: float

    @property
    def shown(self) -> str:
        """counts only, grey or plain."""
        return shown(self.n)

    @property
    def reliability(self) -> float:
        """Part of the ratio's distance from 1 that can be relied on, 0 to 1, the spread between groups borrowed; else NaN.

        References: as qi.trends.shrinkage.reliability_of_share, at the reference's overall share (ours).
        """
        return reliability_of_share(self.n, self.usual, tau=spread_of(MEDIAN_ODDS_RATIO)) if 0.0 < self.usual < 1.0 else math.nan

    @property
    def drawn_in(self) -> float:
        """The ratio drawn in towards 1, as expected: what to expect next if nothing changes."""
        return expected_next(self.ratio, 1.0, self.reliability)

    def words(self) -> str:
        """In plain words, without saying why."""
        left_out = f" {self.left_out:,} {'is' if self.left_out == 1 else 'are'} left out: outcome, witness or rhythm is not known."
        apart = left_out if self.left_out else ""
        if self.shown == COUNTS_ONLY:
            return f"{self.group}: {self.observed} of {self.n}; too few cases for a comparison.{apart}"
        if not self.expected:
            return f"{self.group}: {self.observed} of {self.n}; none is expected at the rates of {self.reference}: no ratio.{apart}"
        about = "can be chance alone" if self.exact_low <= 1.0 <= self.exact_high else "is more than chance alone would often give"
        return (
            f"{self.group}: {self.observed} of {self.n}, and {self.expected:.1f} would be expected of the same mix of witness and "
            f"rhythm at the rates of {self.reference}: {self.ratio:.2f} times (95 % interval {self.exact_low:.2f} to "
            f"{self.exact_high:.2f}), which {about}. Other things than this mix differ too.{apart}"
        )


def reference_of(table: pd.DataFrame, outcome: str, *, name: str) -> Reference:
    """The rates of a table's own cases by Utstein stratum, excluded cases left out.

    Parameters: table, with the outcome's columns, utstein.NEEDED and excluded; outcome, of qi.trends.outcomes; name, whose rates
    they are, as in "the whole agency in 2031".
    Returns: Reference. A group that is part of it is in part held against itself.
    Raises: NotMeasurable when no case has a known outcome and stratum.
    """
    cases = use.included(table, (*columns_of(outcome), *utstein.NEEDED))
    had, strata = outcome_of(cases, outcome), utstein.stratum(cases)
    known = had.isin((use.YES, use.NO)) & strata.notna()
    if not known.any():
        raise NotMeasurable("no case has a known outcome, witness and first rhythm")
    counts = {
        key: (int((strata[known] == key).sum()), int((had[known & (strata == key)] == use.YES).sum())) for key in utstein.STRATA
    }
    return Reference(name, counts)


def observed_expected(table: pd.DataFrame, outcome: str, by: str, reference: Reference) -> tuple[Ratio, ...]:
    """Observed over expected outcomes of each group (indirect standardisation by Utstein stratum).

    Parameters: table, with the outcome's columns, `by`, utstein.NEEDED and excluded; outcome, of qi.trends.outcomes; by, a column
    known before the crew's care begins; reference, the rates.
    Returns: Ratio, one a group, in order of its name.
    Raises: OutcomeByTreatment for a column of something done during the arrest; BadTable for a missing column.
    References: indirect standardisation with exact Poisson and Byar limits, Breslow and Day (1987) (from memory); checked with a
    constructed case.
    """
    refuse_outcome_by(by)
    cases = use.included(table, (*columns_of(outcome), *utstein.NEEDED, by))
    told = pd.DataFrame({"had": outcome_of(cases, outcome), "stratum": utstein.stratum(cases), "group": group_of(cases, by)})
    return tuple(_ratio(name, told[told["group"] == name], reference) for name in in_order(told["group"]))


def by_stratum(table: pd.DataFrame, outcome: str, by: str, reference: Reference) -> pd.DataFrame:
    """What the ratios are made of: observed and expected outcomes of each group in each stratum.

    Parameters: as observed_expected.
    Returns: a row a group and stratum of which there is a case, in order of names and of utstein.STRATA: group, stratum, n (known
    outcome), observed, expected (missing where the reference has no case of the stratum), shown.
    Raises: as observed_expected.
    """
    refuse_outcome_by(by)
    cases = use.included(table, (*columns_of(outcome), *utstein.NEEDED, by))
    told = pd.DataFrame({"had": outcome_of(cases, outcome), "stratum": utstein.stratum(cases), "group": group_of(cases, by)})
    told = told[told["had"].isin((use.YES, use.NO)) & told["stratum"].notna()]
    rows = []
    for name in in_order(told["group"]):
        for stratum in utstein.STRATA:
            had = told.loc[(told["group"] == name) & (told["stratum"] == stratum), "had"]
            rate = reference.rate(stratum)
            expected = math.nan if rate is None else len(had) * rate
            rows.append((name, stratum, len(had), int((had == use.YES).sum()), expected, shown(len(had))))
    made = pd.DataFrame(rows, columns=["group", "stratum", "n", "observed", "expected", "shown"])
    return made[made["n"] > 0].reset_index(drop=True)


def _ratio(name: str, rows: pd.DataFrame, reference: Reference) -> Ratio:
    rates = rows["stratum"].map({key: reference.rate(key) for key in reference.strata}).astype(float)
    known = rows["had"].isin((use.YES, use.NO)) & rates.notna()
    observed, expected = int((rows["had"][known] == use.YES).sum()), float(rates[known].sum())
    spread = math.sqrt(float((rates[known] * (1.0 - rates[known])).sum()))
    ratio, exact, byar = _over(observed, expected), exact_count(observed), byar_count(observed)
    n = int(known.sum())
    return Ratio(
        name,
        n,
        observed,
        expected,
        ratio,
        exact_low=_over(exact[0], expected),
        exact_high=_over(exact[1], expected),
        byar_low=_over(byar[0], expected),
        byar_high=_over(byar[1], expected),
        crude=observed / n if n else math.nan,
        adjusted=ratio * reference.overall,
        z=(observed - expected) / spread if spread else math.nan,
        left_out=len(rows) - n,
        reference=reference.name,
        usual=reference.overall,
    )


def _over(count: float, expected: float) -> float:
    return count / expected if expected else math.nan


def ratios_table(found: Sequence[Ratio]) -> pd.DataFrame:
    """Ratios as a table, a row a group.

    Parameters: found, of observed_expected.
    Returns: label, n, observed, expected, value (the ratio), low and high (exact), crude, adjusted, drawn_in, reliability,
    left_out, shown; all but the counts are missing below 10 cases.
    """
    names = ["label", "n", "observed", "expected", "value", "low", "high", "crude", "adjusted", "drawn_in", "reliability"]
    rows = [
        (
            *(one.group, one.n, one.observed, one.expected, one.ratio, one.exact_low, one.exact_high),
            *(one.crude, one.adjusted, one.drawn_in, one.reliability),
        )
        for one in found
    ]
    table = pd.DataFrame(rows, columns=names).assign(left_out=[one.left_out for one in found], shown=[one.shown for one in found])
    told = (table["shown"] != COUNTS_ONLY).to_numpy()
    return table.assign(**{name: table[name].where(told) for name in names[3:]})
