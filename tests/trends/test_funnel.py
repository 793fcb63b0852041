"""Funnel plots: limits, scatter beyond chance, many looked at together; never a ranking."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given as for_all
from hypothesis import strategies as st
from scipy import stats

from qi.model.errors import BadTable, NotMeasurable
from qi.trends.funnel import (
    BEYOND_ALARM,
    BEYOND_WARNING,
    WITHIN,
    among_many,
    by_chance,
    expected_next_of,
    funnel,
    limits,
    needed_of,
    scatter_of,
    widened_limit,
)
from tests.trends.cases import given

SURGICAL = given("funnel_surgical12.csv")
TAILS = {"exact_lo_99_8": 0.001, "exact_lo_95": 0.025, "exact_hi_95": 0.975, "exact_hi_99_8": 0.999}


def hospitals():
    return pd.DataFrame({"group": SURGICAL["hospital"], "count": SURGICAL["deaths"], "n": SURGICAL["operations"], "missing": 0})


@pytest.mark.parametrize("column", TAILS)
def test_limits_of_twelve_hospitals(column):
    """WinBUGS Examples, volume 1, surgical data; limits by a second implementation in R, clipped here to 0 and 1."""
    centre = SURGICAL["deaths"].sum() / SURGICAL["operations"].sum()
    found = [limits(n, centre, [TAILS[column]])[0] for n in SURGICAL["operations"]]
    assert found == pytest.approx(SURGICAL[column].clip(0.0, 1.0), abs=2e-6)


def test_scatter_of_twelve_hospitals():
    """The same data; winsorised phi and tau2 as the source of R FunnelPlotR gives them."""
    scatter = scatter_of(SURGICAL["deaths"], SURGICAL["operations"], SURGICAL["deaths"].sum() / SURGICAL["operations"].sum())
    assert (scatter.phi, scatter.tau2) == pytest.approx((2.3797915, 0.00180957084), rel=1e-7)
    assert scatter.certain


def test_the_hospital_beyond_the_outer_limit_is_named_and_none_is_ranked():
    """The same data: H (31 of 215) lies above the 99.8 % limit (the note)."""
    found = funnel(hospitals(), noun="hospitals")
    assert list(found.points["group"]) == list("ABCDEFGHIJKL")
    lies = dict(zip(found.points["group"], found.points["lies"], strict=True))
    assert [name for name, where in lies.items() if where == BEYOND_ALARM] == ["H"]
    assert {name for name, where in lies.items() if where == BEYOND_WARNING} == {"B", "E", "K"}
    assert lies["A"] == WITHIN
    text = " ".join(found.sentences)
    assert "Beyond the 99.8 % limits: H." in text
    assert "no ranking" in text
    assert "scatter more than chance alone gives (phi 2.4)" in text
    reliability = 0.00180957 / (0.00180957 + 1 / (4 * 215))
    expected = 0.0739161 + reliability * (31 / 215 - 0.0739161)
    assert f"H: 14 % now, 7 % usually. About {reliability:.0%} of".replace("61%", "61 %") in text
    assert f"{expected * 100:.0f} % is to be expected next even if nothing changes" in text
    assert "A: 0 % now" not in text
    assert found.points[["low", "high"]].to_numpy() == pytest.approx(SURGICAL[["wilson_lo", "wilson_hi"]].to_numpy(), abs=2e-6)


def test_limits_that_allow_for_scatter_are_wider():
    plain, wide = (funnel(hospitals(), noun="hospitals", widened=widened) for widened in (False, True))
    for level in ("95", "998"):
        assert (wide.lines[f"high_{level}"] >= plain.lines[f"high_{level}"]).all()
        assert (wide.lines[f"low_{level}"] <= plain.lines[f"low_{level}"]).all()
        assert wide.lines[f"high_{level}"].iloc[-1] > plain.lines[f"high_{level}"].iloc[-1] + 0.02
    assert (wide.points["lies"] != BEYOND_ALARM).all()
    assert "the limits allow for it" in " ".join(wide.sentences)


@for_all(st.integers(10, 3000), st.floats(0.02, 0.98), st.sampled_from(sorted(TAILS.values())))
def test_limit_lies_within_one_count_of_scipys_quantile(n, centre, tail):
    """An independent library: the interpolated limit lies less than one case below the binomial quantile."""
    quantile = stats.binom.ppf(tail, n, centre)
    found = limits(n, centre, [tail])[0] * n
    assert max(0.0, quantile - 1.0) - 1e-6 <= found <= quantile + 1e-6


@for_all(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30))
def test_chances_among_many_are_scipys(chances):
    """An independent library: scipy false_discovery_control, method of Benjamini and Hochberg."""
    assert among_many(chances) == pytest.approx(stats.false_discovery_control(chances, method="bh"))


def test_benjamini_and_hochberg_1995():
    """Benjamini and Hochberg, JRSS B 57 (1995) 289, 15 tests (p-values from memory): 4 are named, by Bonferroni 3."""
    told = given("multiplicity_shrinkage.json")["bh"]
    found = among_many(told["p"])
    assert found == pytest.approx(told["q_bh"], abs=1e-5)
    assert (found <= 0.05).sum() == told["reject_bh_05"]
    assert (np.array(told["p"]) <= 0.05 / 15).sum() == told["reject_bonferroni_05"]


def test_by_chance_twenty_stable_stations():
    """The note, computed: at least one of 20 beyond the 95 % line in 64 %, beyond the 99.8 % line in 4 %."""
    assert by_chance(20, 0.95) == pytest.approx((1.0, 0.64), abs=0.005)
    assert by_chance(20, 0.998)[1] == pytest.approx(0.04, abs=0.005)


def test_stable_stations_are_seldom_named():
    """Simulated: 12 stations of one true share; the outer limits are passed in about as few plots as they promise."""
    draws, passed = np.random.default_rng(7), 0
    n = np.array([12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200])
    for _ in range(100):
        rows = pd.DataFrame({"group": [f"S{i}" for i in range(12)], "count": draws.binomial(n, 0.3), "n": n, "missing": 0})
        passed += (funnel(rows, noun="stations").points["lies"] == BEYOND_ALARM).any()
    assert passed / 100 <= 0.07


def test_under_ten_cases_counts_only():
    rows = pd.DataFrame({"group": ["1", "2", "3"], "count": [9, 5, 12], "n": [9, 20, 40], "missing": [1, 0, 0]})
    found = funnel(rows, noun="stations")
    assert found.centre == 17 / 60
    assert np.isnan(found.points["value"][0])
    assert list(found.points["shown"]) == ["counts only", "grey", "plain"]
    assert "counts only and no point: 1." in " ".join(found.sentences)
    with pytest.raises(NotMeasurable, match="10 cases"):
        funnel(rows.iloc[:1], noun="stations")
    with pytest.raises(BadTable, match="missing"):
        funnel(rows.drop(columns="missing"), noun="stations")


@pytest.mark.parametrize("count", [0, 20])
def test_all_or_none_of_the_cases(count):
    rows = pd.DataFrame({"group": ["1", "2"], "count": [count, count], "n": [20, 20], "missing": [0, 0]})
    for widened in (False, True):
        found = funnel(rows, noun="stations", widened=widened)
        assert (found.points["lies"] == WITHIN).all()
    assert widened_limit(20, 1.0, 0.999, 0.1) == 1.0


def test_what_to_expect_next_lies_between_the_group_and_the_usual():
    found = funnel(hospitals(), noun="hospitals")
    told = expected_next_of(found)
    assert told["group"].tolist() == hospitals()["group"].tolist()
    reliability = found.scatter.tau2 / (found.scatter.tau2 + 1.0 / (4.0 * told["n"]))
    assert told["reliability"].tolist() == pytest.approx(reliability.tolist())
    away, left = told["value"] - found.centre, told["expected"] - found.centre
    assert left.tolist() == pytest.approx((away * reliability).tolist())


def test_a_group_under_ten_cases_has_nothing_to_expect():
    counts = pd.DataFrame({"group": ["1", "2", "3"], "count": [90, 50, 3], "n": [100, 100, 9], "missing": 0})
    found = funnel(counts, noun="stations")
    told = expected_next_of(found)
    assert told["expected"].isna().tolist() == [False, False, True]
    needed = 7 / 3 * 0.25 / found.scatter.tau2
    assert f"From about {int(np.ceil(needed))} cases on" in needed_of(found, "stations")


def test_groups_that_differ_by_chance_alone_are_expected_at_the_usual():
    counts = pd.DataFrame({"group": ["1", "2", "3"], "count": [50, 51, 49], "n": [100, 100, 100], "missing": 0})
    told = expected_next_of(funnel(counts, noun="stations"))
    assert told["reliability"].tolist() == [0.0] * 3
    assert told["expected"].tolist() == [0.5] * 3


def test_all_of_a_group_having_it_is_no_alarm_where_that_is_likely():
    """84 of 84 at a usual share of 98.3 % has a chance of 24 %, by the binomial; the interpolated limit lies just under 1."""
    counts = pd.DataFrame({"group": ["1", "2"], "count": [84, 386], "n": [84, 394], "missing": 0})
    found = funnel(counts, noun="units")
    first = found.points.iloc[0]
    assert stats.binom.sf(83, 84, found.centre) > 0.2
    assert first["value"] > first["high_998"]
    assert first["lies"] == WITHIN
