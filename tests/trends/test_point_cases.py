"""The cases of a point: those that its n counts, in every sort of points."""

import numpy as np
import pandas as pd
import pytest

from qi.trends.point_cases import counted_at, told_of
from qi.trends.series import BETWEEN_CASES, BETWEEN_TIMES, IN_TIME, MEDIANS, View, cases_behind, chart_of
from tests.trends.test_series import COUNTED, FIRST_PASS, FRACTION, ITD, device, table


def with_gaps(count=120):
    """Cases of which some have no number, no verdict or no known time, and times that some never had."""
    at = np.arange(count)
    gap = at % 7 == 3
    cases = table(count, pauses_over_limit=np.where(gap, np.nan, at % 3 + 1.0))
    cases["compression_fraction__verdict"] = np.select([at % 5 == 0, at % 5 == 1], ["not met", "no limit set"], "met")
    cases.loc[at % 11 == 0, ["compression_fraction", "compressions_per_minute", "no_flow_s"]] = np.nan
    cases["first_pass"] = np.where(gap, np.nan, at % 2.0)
    status = np.array(["applied", "never", "applied", "censored", "censored", "not recorded"], dtype=object)[at % 6]
    low = np.array([60.0, 900.0, 200.0, 90.0, 400.0, np.nan])[at % 6]
    value = np.where(status == "applied", low, np.nan)
    parts = {
        ITD.column: value,
        f"{ITD.column}__status": status,
        f"{ITD.column}__low": low,
        f"{ITD.column}__verdict": "no limit set",
    }
    return cases.assign(**parts)


@pytest.mark.parametrize("every", ["month", "quarter"])
@pytest.mark.parametrize("subject", [FRACTION, COUNTED, FIRST_PASS, ITD])
def test_the_cases_of_a_point_are_those_it_counts(subject, every):
    """By the n of each point: cases; on charts of minutes, the cases behind them; of intervals, what lies in them."""
    cases = with_gaps()
    days = cases.set_index("key")["call_day"]
    for sort in subject.sorts:
        view = View(every, sort).settled(subject)
        drawn = chart_of(cases, subject, view)
        sizes = cases_behind(cases, subject, view)
        for at, point in enumerate(drawn.points.itertuples()):
            keys = counted_at(cases, subject, view, point.label)
            if sort == BETWEEN_CASES:
                assert len(keys) == point.value + 1
            elif sort == BETWEEN_TIMES:
                assert (days[keys[1]] - days[keys[0]]).days == pytest.approx(point.value)
            else:
                assert len(keys) == (point.n if sizes is None else sizes[at]), (sort, point.label)
            assert len(set(keys)) == len(keys)
        assert counted_at(cases, subject, view, "nothing") == []


def test_whoever_never_had_it_stands_among_the_cases_of_a_share_done_in_time():
    status = ["applied", "never", "censored", "censored"]
    cases = device(4, status, [60.0, np.nan, np.nan, np.nan], [60.0, 900.0, 400.0, 90.0]).assign(
        call_day=pd.Timestamp("2030-01-05")
    )
    assert counted_at(cases, ITD, View(sort=IN_TIME), "2030-01") == ["k0", "k1", "k2"]
    assert counted_at(cases, ITD, View(sort=MEDIANS), "2030-01") == ["k0"]
    told = told_of(cases, ITD, IN_TIME)
    assert told["went"].tolist() == ["", "ended without it", "record ends", "record ends"]
    assert told["in_time"].tolist() == ["yes", "no", "no", ""]
