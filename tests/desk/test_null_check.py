"""The null check: two hundred invented agencies in which nothing changes signal as often as their pages print, and no more.

An agency is made of cases, not of points: long tails, rounded and heaped values, counts that scatter more than a Poisson law
allows, crews that differ from each other, few cases a month and not the same number. No law that the charts suppose holds. Each
month draws its crews and cases anew from the same agency, so that nothing changes.
"""

import math

import numpy as np
import pandas as pd
import pytest

from qi.desk import charted
from qi.trends.chance import false_signals
from qi.trends.series import Subject, View, chart_of
from qi.trends.signals import signals

AGENCIES, MONTHS, CREWS = 200, 24, 6
SIGMAS = 3.0  # tolerance: so many standard errors of a sum of that many coins
FRACTION = Subject("compression_fraction", "Compression fraction", "1", limit="at least 80 %", low=0.8)
PAUSE = Subject("peri_shock_pause_s", "Peri-shock pause", "s", limit="under 10 s", high=10.0)
COUNT = Subject("pauses_over_limit", "Pauses over the limit", "count", limit="at most 3", high=3.0)
DEPTH = Subject("depth_mean_mm", "Mean depth", "mm", limit="50 to 60 mm", low=50.0, high=60.0)
RECOIL = Subject("recoil_share", "Full recoil", "1", limit="at least 90 %", low=0.9)
MEASURES = (FRACTION, PAUSE, COUNT, DEPTH, RECOIL)
ON_THE_WALL = (FRACTION, PAUSE, COUNT, RECOIL)
KINDS = {
    "xmr": (PAUSE, "median of cases", "xmr"),
    "xmr of means": (COUNT, "mean of cases", "xmr"),
    "xmr of cases": (FRACTION, "case values", "xmr"),
    "xmr log of cases": (PAUSE, "case values", "xmr log"),
    "xmr of a pooled share": (FRACTION, "time-pooled share", "xmr"),
    "mr": (PAUSE, "median of cases", "mr"),
    "x-bar": (COUNT, "mean of cases", "x-bar"),
    "s": (PAUSE, "mean of cases", "s"),
    "p": (FRACTION, "share of cases", "p"),
    "p'": (PAUSE, "share of cases", "p'"),
    "u": (COUNT, "events per exposure", "u"),
    "u'": (COUNT, "events per exposure", "u'"),
    "g": (DEPTH, "cases between rare events", "g"),
    "t": (DEPTH, "time between rare events", "t"),
}
EACH_LOOKS_AT = 4  # kinds that one agency is asked for, in turn: 57 agencies a kind
# Signals that the printed chance must not fall short of are seen often enough in each kind to tell: from this sum of chances on.
TELLING = 3.0


def agency(seed):
    """Cases of one agency over the months."""
    chance = np.random.default_rng([2031, seed])
    count = chance.negative_binomial(6, 6 / (6 + chance.uniform(4, 12)), MONTHS) + 1
    month = np.repeat(np.arange(MONTHS), count)
    n = len(month)
    crew = chance.integers(0, CREWS, n)
    between = chance.normal(0.0, 0.5, (3, CREWS))[:, crew]
    fraction = np.round(1.0 - 0.25 * chance.beta(2.0, 2.0 + np.exp(between[0])), 2)
    lost = chance.lognormal(5.0, 0.6, n)
    minutes = lost / (1.0 - fraction.clip(max=0.99)) / 60.0
    table = pd.DataFrame(
        {
            "key": [f"case {one}" for one in range(n)],
            "case_id": [f"rv-{one:04d}" for one in range(n)],
            "call_day": pd.Timestamp("2029-01-01") + pd.to_timedelta(month * 31 + chance.integers(0, 28, n), unit="D"),
            "excluded": "",
            "no_flow_s": lost,
            "compressions_per_minute": 100.0,
            "compressions_per_minute__n": 100.0 * minutes,
            "compression_fraction": fraction.clip(max=0.99),
            "peri_shock_pause_s": np.round(chance.lognormal(2.0 + between[1] / 3.0, 0.4), 1) + 0.1,
            "pauses_over_limit": chance.negative_binomial(8.0, 8.0 / (8.0 + 0.1 * minutes * np.exp(between[2] / 2.0))).astype(
                float
            ),
            "depth_mean_mm": np.round(55.0 + 3.0 * chance.standard_t(4, n)),
            "recoil_share": np.where(chance.random(n) < 0.5, 1.0, chance.beta(8.0, 1.5, n)),
        }
    )
    table.loc[chance.random(n) < 0.35, "peri_shock_pause_s"] = np.nan
    for one in MEASURES:
        value = table[one.column]
        met = (value >= (one.low or -math.inf)) & (value <= (one.high or math.inf))
        table[f"{one.column}__verdict"] = np.where(value.isna(), "", np.where(met, "met", "not met"))
    return table.sort_values("call_day", kind="stable").reset_index(drop=True)


@pytest.fixture(scope="module")
def seen_and_told():
    """What each agency's wall and a few of its charts of each kind signalled (1 or 0) and what they printed."""
    found = {name: [] for name in (*KINDS, "charts of the wall", "walls")}
    for seed in range(AGENCIES):
        table = agency(seed)
        made, _ = charted.wall(table, ON_THE_WALL, View(), {})
        page = false_signals([one.chart for one in made])
        signalled = [bool(one.signals) for one in made]
        found["charts of the wall"] += zip(signalled, page.by_chart, strict=True)
        found["walls"].append((any(signalled), page.at_least_one))
        names = list(KINDS)
        for name in (names[(seed * EACH_LOOKS_AT + step) % len(names)] for step in range(EACH_LOOKS_AT)):
            measure, sort, kind = KINDS[name]
            chart = chart_of(table, measure, View("month", sort, kind))
            assert chart.kind == kind
            found[name].append((bool(signals(chart)), false_signals([chart]).by_chart[0]))
    return {name: np.array(pairs, dtype=float).T for name, pairs in found.items()}


@pytest.mark.parametrize("name", [*KINDS, "charts of the wall", "walls"])
def test_200_unchanging_agencies_give_no_more_false_signals_than_the_page_prints(seen_and_told, name):
    """Not more than three standard errors above the sum of the printed chances, and not so few that the print is an empty threat:
    at least half of the sum, three standard errors taken off."""
    seen, told = seen_and_told[name]
    error = SIGMAS * math.sqrt((told * (1.0 - told)).sum())
    assert told.sum() > TELLING
    assert seen.sum() <= told.sum() + error
    assert seen.sum() >= told.sum() / 2 - error
