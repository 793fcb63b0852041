"""How much of a group's difference can be relied on, and what to expect of it next: shrinkage and regression to the mean."""

import math
from collections.abc import Sequence
from statistics import NormalDist

import numpy as np

from qi.model.errors import BadTable
from qi.model.words import many
from qi.trends.intervals import percent

RELIABLE = 0.7  # reliability from which a group's own number is taken as told from chance (common practice, no source)
FEWEST_GROUPS = 4  # fewer groups: their values are not drawn in
DRAWN_IN = (
    "A group that stands out does so partly by chance, and moves back towards the usual by itself (regression to the mean). "
    "Drawn in: each group's value moved towards that of all together by as much as chance may have put into it. It is nearer to "
    "what will be seen next if nothing changes, and it ranks nobody."
)
MEDIAN_ODDS_RATIO = 1.56  # of survival between 112 agencies: Okubo et al. 2018 (read)
BORROWED = (
    "How far groups truly differ is borrowed from 112 agencies of a research network (Okubo et al. 2018); between stations of one "
    "agency it may be less."
)


def spread_of(median_odds_ratio: float) -> float:
    """Standard deviation between groups, in log odds, that a median odds ratio stands for.

    Parameters: median_odds_ratio, 1 or more.
    References: Merlo et al., J Epidemiol Community Health 60 (2006) 290: ln(MOR) = √2 · z(0.75) · τ (from memory).
    """
    return math.log(median_odds_ratio) / (math.sqrt(2.0) * NormalDist().inv_cdf(0.75))


def reliability_of_share(n: int, share: float, *, tau: float) -> float:
    """Part of the variance of groups' shares that is true difference and not chance, 0 to 1.

    Parameters: n, cases of the group; share, the usual one, above 0 and below 1; tau, standard deviation between groups [log odds].
    References: our arithmetic: τ² / (τ² + 1 / (n p (1 − p))).
    """
    return reliability_of_variance(1.0 / (n * share * (1.0 - share)), tau**2) if n else 0.0


def reliability_of_variance(by_chance: float, between: float) -> float:
    """Part of the variance of groups' values that is true difference and not chance, 0 to 1.

    Parameters: by_chance and between, the variance of one group's value by chance alone, and that between groups beyond chance.
    """
    return between / (between + by_chance)


def cases_for(reliability: float, share: float, *, tau: float) -> int:
    """Cases that a group needs for a reliability of its share.

    Parameters: reliability, above 0 and below 1; share and tau as in reliability_of_share.
    """
    return cases_needed(reliability, one_case=1.0 / (share * (1.0 - share)), between=tau**2)


def cases_needed(reliability: float, *, one_case: float, between: float) -> int:
    """Cases that a group needs for a reliability of its value.

    Parameters: reliability, above 0 and below 1; one_case, the variance by chance of the value of a group of one case; between, the
    variance between groups beyond chance, above 0, on the same scale.
    """
    return math.ceil(reliability / (1.0 - reliability) * one_case / between)


def needed_in_words(noun: str, *, one_case: float, between: float) -> str:
    """How many cases a group needs before its own number can be told from chance, as a sentence.

    Parameters: noun, what the groups are, as in "stations"; one_case and between as in cases_needed, between 0 where the groups
    scatter no more than chance gives.
    """
    if between <= 0.0:
        return (
            f"The {noun} scatter no more than chance alone can give: no number of cases can be named from which one of them could "
            "be told from the others, and the best estimate of each is that of all together."
        )
    count = cases_needed(RELIABLE, one_case=one_case, between=between)
    return (
        f"From about {many(count, 'case')} on, {percent(RELIABLE)} or more of what a group differs by can "
        "be relied on; with fewer, more of it is chance. How far groups truly differ is itself known roughly only."
    )


def expected_next(observed: float, usual: float, reliability: float) -> float:
    """What to expect of a group next time if nothing changes: the usual value and the reliable part of its distance from it."""
    return usual + reliability * (observed - usual)


def shrunken(values: Sequence[float] | np.ndarray, variances: Sequence[float] | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Values of groups pulled towards their common mean by how little each can be relied on.

    Parameters: values of four groups or more; variances, of each value by chance alone.
    Returns: the pulled values, and the reliability of each, 0 to 1. With equal variances it is the estimate of James and Stein.
    Raises: BadTable for fewer than four groups, or a variance that is not above 0.
    References: Efron and Morris, Scientific American 236 (1977) 119 (their constant read in a secondary source); unequal variances:
    Morris, JASA 78 (1983) 47, with the variance between groups by DerSimonian and Laird (from memory).
    """
    given, chance = np.asarray(values, dtype=float), np.asarray(variances, dtype=float)
    if len(given) < FEWEST_GROUPS or (chance <= 0).any() or not np.isfinite(given).all():
        raise BadTable("shrinkage needs four groups or more, each with a value and a variance above 0")
    tau2 = between_groups(given, chance)
    groups, weight = len(given), 1.0 / (chance + tau2)
    mean = float((weight * given).sum() / weight.sum())
    reliability = 1.0 - np.minimum(1.0, (groups - 3) / (groups - 1) * chance / (chance + tau2)) if tau2 else np.zeros(groups)
    return mean + reliability * (given - mean), reliability


def between_groups(values: np.ndarray, variances: np.ndarray) -> float:
    """Variance between groups beyond chance, 0 or more (DerSimonian and Laird)."""
    weight = 1.0 / variances
    mean = (weight * values).sum() / weight.sum()
    beyond = float((weight * (values - mean) ** 2).sum()) - (len(values) - 1)
    return max(0.0, beyond / float(weight.sum() - (weight**2).sum() / weight.sum()))


def words(group: str, observed: float, usual: float, reliability: float) -> str:
    """Regression to the mean, said of one group.

    Parameters: group, its name; observed and usual, shares; reliability, 0 to 1.
    """
    after = expected_next(observed, usual, reliability)
    return (
        f"{group}: {percent(observed)} now, {percent(usual)} usually. About {percent(reliability)} of such a difference can be "
        f"relied on, so that {percent(after)} is to be expected next even if nothing changes. A value that stood out moves back "
        f"towards the usual by itself: that is neither improvement nor decline."
    )


def words_of_outcome(group: str, count: int, n: int, usual: float) -> str:
    """Regression to the mean, said of one group's survival, with where the reliability is borrowed from.

    Parameters: group; count of n cases that survived, n above 0; usual, the share of all groups, above 0 and below 1.
    """
    reliability = reliability_of_share(n, usual, tau=spread_of(MEDIAN_ODDS_RATIO))
    return f"{words(group, count / n, usual, reliability)} {BORROWED}"


def needed_of_outcome(usual: float) -> str:
    """How many cases a group needs before its own survival can be told from chance; empty where all or none survived.

    Parameters: usual, the share of all groups.
    """
    if not 0.0 < usual < 1.0:
        return ""
    tau = spread_of(MEDIAN_ODDS_RATIO)
    count = cases_for(RELIABLE, usual, tau=tau)
    return (
        f"Where {percent(usual)} of all have the outcome, a group needs about {many(count, 'case')} before {percent(RELIABLE)} of "
        f"what it differs by can be relied on. {BORROWED}"
    )
