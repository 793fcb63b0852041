"""A measure's chart as it is drawn and said: few cases, charts of spread, rates, and what stands in words under it."""

import numpy as np
import pandas as pd
import pytest

from qi.desk import charted
from qi.model.errors import NotMeasurable
from qi.trends.baselines import NO_PLAN, Excluded, Phase, Plan
from qi.trends.kinds import choose
from qi.trends.sentences import ON_THE_CENTRE, TOO_FEW_POINTS
from qi.trends.series import CASES, MEANS, MEDIANS, PER_MINUTE, SHARES, Subject, View

FRACTION = Subject("compression_fraction", "Compression fraction", "1", "at least 60 %", low=0.6, protocols=("adult-2020",))
DEPTH = Subject("compression_depth_mm", "Depth", "mm", "50 to 60 mm", low=50.0, high=60.0, protocols=("adult-2020",))
COUNTED = Subject("pauses_over_limit", "Pauses over the limit", "count")


def table(count, *, months=None, **columns):
    """Cases on days of their own, spread over as many months as asked for, two a month without."""
    months = max(1, count // 2) if months is None else months
    at = np.arange(count)
    days = pd.Timestamp("2029-01-01") + pd.to_timedelta(np.sort(at % months) * 31 + at % 3, unit="D")
    values = 0.5 + 0.2 * np.sin(at * 1.7)
    made = {
        "key": [f"k{one}" for one in at],
        "case_id": [f"c{one}" for one in at],
        "call_day": np.sort(days),
        "excluded": "",
        "compression_fraction": values,
        "compression_fraction__verdict": np.where(values >= 0.6, "met", "not met"),
        "compression_depth_mm": 55 + 2 * np.sin(at * 2.3),
        "compression_depth_mm__verdict": "met",
        "no_flow_s": (1 - values) * 600.0,
        "compressions_per_minute": 110.0 * values,
        "compressions_per_minute__n": 1100.0 * values,
        "pauses_over_limit": at % 3.0 + 1,
        "pauses_over_limit__verdict": "no limit set",
    }
    return pd.DataFrame(made | columns)


VIEWS = [(one, sort, kind) for one in (FRACTION, DEPTH, COUNTED) for sort in one.sorts for kind in choose(sort).kinds]
FEW = {
    "one case": (1, 1),
    "two": (2, 2),
    "three": (3, 3),
    "twelve": (12, 12),
    "twelve in one month": (12, 1),
    "none kept": (12, 12),
}


@pytest.mark.parametrize("few", FEW)
@pytest.mark.parametrize(("subject", "sort", "kind"), VIEWS, ids=lambda one: getattr(one, "column", one))
def test_few_cases_are_a_chart_or_a_reason_why_there_is_none(subject, sort, kind, few):
    cases, view = table(FEW[few][0], months=FEW[few][1]), View("month", sort, kind)
    plan = NO_PLAN
    if few == "none kept":
        labels = dict.fromkeys([*cases["call_day"].dt.strftime("%Y-%m"), *cases["case_id"]])
        plan = Plan(excluded=tuple(Excluded(one, "training") for one in labels))
    try:
        one = charted.charted(cases, subject, view, plan)
    except NotMeasurable:
        assert kind in ("mr", "s", "g", "t") or sort == SHARES
        return
    assert one.chart.points["value"].notna().any()
    assert one.drawn.latest
    assert charted.by_chance([one])


@pytest.mark.parametrize(("cases", "view", "why"), [
    (table(1), View("month", MEDIANS, "mr"), "two points in a row"),
    (table(12, months=1), View("month", MEDIANS, "mr"), "two points in a row"),
    (table(1), View("month", CASES, "mr"), "two points in a row"),
    (table(1), View("month", MEANS, "s"), "two cases or more"),
])  # fmt: skip
def test_a_kind_without_any_point_says_what_it_needs(cases, view, why):
    with pytest.raises(NotMeasurable, match=why):
        charted.charted(cases, FRACTION, view)


def test_the_newest_value_bears_the_name_of_its_own_point():
    cases = table(24)
    cases.loc[22:, "compression_fraction"] = np.nan
    one = charted.charted(cases, FRACTION, View())
    assert one.chart.points["label"].iloc[-1] not in one.drawn.latest
    assert one.chart.points["label"].iloc[-2] in one.drawn.latest


@pytest.mark.parametrize(("sort", "kind", "drawn"), [(MEANS, "s", False), (MEDIANS, "mr", False), (MEANS, "x-bar", True)])
def test_what_is_asked_of_a_depth_is_no_limit_of_how_far_depths_lie_apart(sort, kind, drawn):
    one = charted.charted(table(48), DEPTH, View("month", sort, kind))
    assert (one.drawn.limit[2] == "asked for: 50 to 60 mm") is drawn


@pytest.mark.parametrize("kind", ["run", "u"])
def test_a_rate_says_its_minutes_and_its_cases_by_their_names(kind):
    cases = table(48)
    cases.loc[0, "pauses_over_limit"] = np.nan
    one = charted.charted(cases, COUNTED, View("month", PER_MINUTE, kind))
    minutes = one.chart.points["n"]
    assert f", {minutes.iloc[-1]:.0f} min of CPR, n 2 cases (" in one.drawn.latest
    assert one.drawn.hover[0].endswith(f", {minutes.iloc[0]:.0f} min of CPR, n 1 case")
    assert one.drawn.n_name == "min of CPR"


def test_a_month_of_a_rate_beyond_its_limits_says_minutes_not_n():
    cases = table(48)
    cases.loc[10, "pauses_over_limit"] = 60
    one = charted.charted(cases, COUNTED, View("month", PER_MINUTE, "u"))
    assert any("min of CPR) lies above the upper limit" in said for said in one.sentences)


def test_points_on_the_centre_are_not_too_few():
    same = table(68, compression_fraction=0.8)
    assert charted.charted(same, FRACTION, View()).short == ON_THE_CENTRE
    assert charted.charted(table(8), FRACTION, View()).short == TOO_FEW_POINTS


def test_what_people_set_on_a_measure_holds_in_every_group():
    cases = table(96, months=24, station=["1", "2"] * 48)
    left_out = cases["call_day"].dt.strftime("%Y-%m").iloc[20]
    plan = Plan(phases=(Phase("2030-01-01", "training"),), excluded=(Excluded(left_out, "drill"),))
    cells, groups = charted.by_group(cases, [FRACTION], View(), "station", most=3, plans={FRACTION.column: plan})
    assert groups == ["1", "2"]
    for cell in cells:
        assert [section.reason for section in cell.charted.chart.sections] == ["", "training"]
        points = cell.charted.chart.points
        assert points.loc[points["excluded"].astype(bool), "label"].tolist() == [left_out]
