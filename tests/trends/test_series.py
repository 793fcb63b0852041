"""A measure over time: its points by sort, and the cases behind a point."""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from qi.model.errors import NotMeasurable
from qi.trends.baselines import NO_PLAN, Phase, Plan
from qi.trends.kinds import KINDS, choose
from qi.trends.series import (
    BETWEEN_CASES,
    BETWEEN_TIMES,
    CASES,
    IN_TIME,
    MEDIANS,
    MOST_CASES,
    PER_MINUTE,
    POOLED,
    SHARES,
    Subject,
    View,
    as_in_time,
    averaged,
    chart_of,
    in_time_table,
    keys_at,
    needed,
    trend_table,
    unit_of,
)

FRACTION = Subject("compression_fraction", "Compression fraction", "1", "at least 60 %", low=0.6)
COUNTED = Subject("pauses_over_limit", "Pauses over the limit", "count")
FIRST_PASS = Subject("first_pass", "First pass", "1", yes_or_no=True)
ITD = Subject("time_to_device_s.itd.first_compression", "Time to device, ITD", "s")


def table(count=24, **columns):
    """Cases two a month from January 2030, with a compression fraction that rises by 0.01 a case."""
    days = [pd.Timestamp(2030 + at // 24, at // 2 % 12 + 1, 5 + 10 * (at % 2)) for at in range(count)]
    values = 0.5 + 0.01 * np.arange(count)
    made = {
        "key": [f"k{at}" for at in range(count)],
        "case_id": [f"c{at}" for at in range(count)],
        "call_day": days,
        "excluded": "",
        "compression_fraction": values,
        "compression_fraction__verdict": np.where(values >= 0.6, "met", "not met"),
        "no_flow_s": (1 - values) * 600.0,
        "compressions_per_minute": 100.0 * values,
        "compressions_per_minute__n": 1000.0 * values,
        "pauses_over_limit": np.arange(count) % 3.0,
        "pauses_over_limit__verdict": "no limit set",
        "first_pass": np.arange(count) % 2.0,
        "first_pass__verdict": "no limit set",
    }
    return pd.DataFrame(made | columns)


def chart(cases, subject, sort="", kind="", every="month", plan=NO_PLAN):
    return chart_of(cases, subject, View(every, sort, kind), plan)


def test_medians_are_those_of_the_months():
    drawn = chart(table(), FRACTION)
    assert (drawn.kind, drawn.unit, drawn.every) == ("run", "1", "month")
    assert drawn.points["label"].tolist()[:2] == ["2030-01", "2030-02"]
    assert drawn.points["value"].tolist()[:2] == pytest.approx([0.505, 0.525])
    assert (drawn.points["n"] == 2).all()


def test_excluded_cases_and_those_without_a_day_count_nowhere():
    cases = table()
    cases.loc[0, "excluded"] = "training"
    cases.loc[1, "call_day"] = pd.NaT
    assert trend_table(cases, FRACTION, "month")["cases"].sum() == 22
    assert "k0" not in keys_at(cases, FRACTION, View(), "2030-01")
    assert keys_at(cases, FRACTION, View(), "2030-02") == ["k2", "k3"]


@pytest.mark.parametrize("every", ["month", "quarter"])
@pytest.mark.parametrize("subject", [FRACTION, COUNTED, FIRST_PASS])
def test_every_sort_and_kind_that_a_measure_offers_can_be_drawn(subject, every):
    cases = table(120)
    cases["pauses_over_limit"] += 1  # a chart of logarithms needs values above 0
    cases["compression_fraction__verdict"] = np.where(np.arange(120) % 5 == 0, "not met", "met")
    for sort in subject.sorts:
        for kind in choose(sort).kinds:
            drawn = chart(cases, subject, sort, kind, every)
            assert drawn.kind == kind
            assert drawn.points["value"].notna().any(), (sort, kind)
            assert averaged(subject, sort).endswith(".")
            assert KINDS[kind].name


def test_the_cases_behind_the_points_are_all_cases_once():
    cases = table()
    for view in (View("month"), View("quarter"), View(sort=CASES)):
        labels = chart_of(cases, FRACTION, view).points["label"]
        keys = [key for label in labels for key in keys_at(cases, FRACTION, view, label)]
        assert sorted(keys) == sorted(cases["key"])
    assert keys_at(cases, FRACTION, View(), "1999-01") == []


def test_two_cases_of_one_number_are_two_points():
    cases = table()
    cases.loc[1, "case_id"] = "c0"
    labels = chart(cases, FRACTION, CASES).points["label"].tolist()
    assert labels[:2] == ["c0 (k0)", "c0 (k1)"]
    assert keys_at(cases, FRACTION, View(sort=CASES), "c0 (k1)") == ["k1"]


def test_only_the_latest_cases_are_drawn_one_by_one():
    days = pd.date_range("2029-01-01", periods=MOST_CASES + 50, freq="D")
    cases = table(MOST_CASES + 50, call_day=days, compression_fraction=np.linspace(0.1, 0.9, MOST_CASES + 50))
    drawn = chart(cases, FRACTION, CASES)
    assert len(drawn.points) == MOST_CASES
    assert drawn.points["value"].iloc[-1] == pytest.approx(0.9)


def test_shares_are_counted_of_the_judged():
    drawn = chart(table(), FRACTION, SHARES, "p")
    assert drawn.points["value"].tolist()[:6] == [0, 0, 0, 0, 0, 1]
    assert (drawn.points["n"] == 2).all()
    yes = chart(table(), FIRST_PASS)
    assert (yes.points["value"] == 0.5).all()


def test_events_per_minute_and_pooled_shares_count_seconds():
    """By hand: case 2 was 600 s long with 2 long pauses, case 3 600 s with none."""
    rate = chart(table(), COUNTED, PER_MINUTE)
    assert rate.points["value"].iloc[1] == pytest.approx(2 / 20)
    assert unit_of(COUNTED, PER_MINUTE) == "per min of CPR"
    cases = table(compression_fraction=np.tile([0.9, 0.5], 12), compressions_per_minute=100.0)
    cases["compressions_per_minute__n"] = np.tile([1000.0, 2000.0], 12) / 0.6
    pooled = chart(cases, FRACTION, POOLED)
    assert pooled.points["value"].iloc[0] == pytest.approx((0.9 * 1000 + 0.5 * 2000) / 3000)
    assert chart(cases, FRACTION, MEDIANS).points["value"].iloc[0] == pytest.approx(0.7)
    assert averaged(FRACTION, POOLED) != averaged(FRACTION, MEDIANS)


def test_cases_without_a_pause_stand_in_pooled_shares_and_in_events_per_minute():
    """From the second year on nobody paused: 110 compressions a minute over 10 min, no long pause. Counted by hand."""
    perfect = np.arange(48) >= 24
    cases = table(48, compression_fraction=np.where(perfect, 1.0, 0.5), no_flow_s=np.where(perfect, 0.0, 300.0))
    cases = cases.assign(compressions_per_minute=110.0, compressions_per_minute__n=1100.0)
    cases["pauses_over_limit"] = np.where(perfect, 0.0, 2.0)
    pooled, rate = chart(cases, FRACTION, POOLED), chart(cases, COUNTED, PER_MINUTE)
    assert pooled.points["value"].tolist() == pytest.approx([0.5] * 12 + [1.0] * 12)
    assert (pooled.points["n"] == 2).all()
    assert rate.points["value"].tolist() == pytest.approx([0.2] * 12 + [0.0] * 12)
    assert rate.points["n"].tolist() == pytest.approx([20.0] * 24)


def test_rare_events_are_counted_from_one_to_the_next():
    verdicts = np.where(np.isin(np.arange(24), [3, 10, 20]), "not met", "met")
    cases = table(compression_fraction__verdict=verdicts)
    assert chart(cases, FRACTION, BETWEEN_CASES).points["value"].tolist() == [6, 9]
    days = [(date(2030, 6, 5) - date(2030, 2, 15)).days, (date(2030, 11, 5) - date(2030, 6, 5)).days]
    assert chart(cases, FRACTION, BETWEEN_TIMES).points["value"].tolist() == days


def device(count, status, value, low):
    column = ITD.column
    parts = {column: value, f"{column}__status": status, f"{column}__low": low, f"{column}__verdict": "no limit set"}
    return table(count, **parts, device_used="yes")


def test_whoever_never_had_the_device_counts_as_not_in_time():
    """First month: on at 60 s, and never. Second: on at 200 s, and a record that ends at 90 s, which tells nothing."""
    status = ["applied", "never", "applied", "censored"]
    cases = device(4, status, [60.0, np.nan, 200.0, np.nan], [60.0, 900.0, 200.0, 90.0])
    assert ITD.sorts[0] == IN_TIME
    shares = in_time_table(cases, ITD, "month")
    assert shares["n"].tolist() == [2, 1]
    assert shares["value"].tolist() == [0.5, 0.0]
    assert (shares["low"] <= shares["value"]).all()
    assert (shares["value"] <= shares["high"]).all()
    assert "whoever went without is not in this number" in averaged(ITD, MEDIANS)


def test_a_time_is_a_yes_or_no_for_groups():
    status = ["applied", "never", "applied", "censored", "not recorded"]
    cases = device(5, status, [60.0, np.nan, 200.0, np.nan, np.nan], [60.0, 900.0, 200.0, 90.0, np.nan])
    cases.loc[0, "excluded"] = "training"
    rows, question = as_in_time(cases, ITD)
    assert rows[ITD.column].tolist() == pytest.approx([np.nan, 0.0, 0.0, np.nan, np.nan], nan_ok=True)
    assert question.yes_or_no
    assert len(rows) == 5


def test_a_measure_without_a_value_has_no_chart():
    with pytest.raises(NotMeasurable, match="no case"):
        chart(table(compression_fraction=np.nan), FRACTION)
    with pytest.raises(NotMeasurable):
        chart(table(0), FRACTION)


def test_the_view_falls_back_on_what_fits():
    assert View("week", "nothing", "p").settled(FRACTION) == View("month", MEDIANS, "run")
    assert View("quarter", SHARES, "p'").settled(FRACTION) == View("quarter", SHARES, "p'")


def test_a_phase_stays_with_its_reason():
    drawn = chart(table(48), FRACTION, plan=Plan(phases=(Phase("2030-07-01", "new monitors"),)))
    assert [section.reason for section in drawn.sections] == ["", "new monitors"]


def test_needed_columns_are_read_beside_the_measure():
    time_of = ("compression_fraction", "no_flow_s", "compressions_per_minute", "compressions_per_minute__n")
    assert needed(COUNTED) == ("pauses_over_limit", "pauses_over_limit__verdict", *time_of)
    assert f"{ITD.column}__status" in needed(ITD)
