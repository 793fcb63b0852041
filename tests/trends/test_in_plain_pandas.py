"""Charts over time count by places and edges, for speed: here the same is said plainly and slowly, on the sample agency."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from qi.trends import cohort
from qi.trends import columns_used as use
from qi.trends.capture import capture
from qi.trends.cohort_columns import ABOUT
from qi.trends.incidence import CENSORED, DONE, NEVER
from qi.trends.medians import median_interval
from qi.trends.proportions import wilson
from qi.trends.series import (
    IN_TIME,
    MEANS,
    MEDIANS,
    SHARES,
    Subject,
    View,
    calendar_of,
    chart_of,
    in_time_table,
    keys_at,
    needed,
    trend_table,
)
from qi.trends.time_to import EPINEPHRINE, times_to

AGENCY = Path(__file__).parents[2] / "sample_cases" / "agency"
MEASURES = (
    Subject("compression_fraction", "Compression fraction", "1", "at least 60 %", low=0.6),
    Subject("longest_pause_s", "Longest pause", "s", "below 10 s", high=10.0),
    Subject("pauses_over_limit", "Pauses over the limit", "count"),
    Subject("ventilation_rate.advanced_airway", "Ventilation rate", "1/min", "8 to 12", low=8.0, high=12.0),
    Subject("first_pass", "First pass", "1", yes_or_no=True),
)
TIMES = (Subject("time_to_device_s.itd.first_compression", "Time to device, ITD", "s"), Subject("time_to_epinephrine_s", "", "s"))
EVERY = {"month": "M", "quarter": "Q"}


@pytest.fixture(scope="module")
def table():
    """The sample agency, with some cases left out, some on a day not known, one month without a case, in no order."""
    columns = [column.name for column in ABOUT] + [name for one in (*MEASURES, *TIMES) for name in needed(one)]
    cases = cohort.read(AGENCY, list(dict.fromkeys(columns)))
    chance = np.random.default_rng(7)
    cases = cases[~cases["call_day"].dt.strftime("%Y-%m").isin(["2030-05"]).to_numpy()]
    cases = cases.iloc[chance.permutation(len(cases))].reset_index(drop=True)
    cases.loc[chance.random(len(cases)) < 0.03, "call_day"] = pd.NaT
    cases["excluded"] = np.where(chance.random(len(cases)) < 0.05, "training", "")
    return cases


def plainly(cases, every):
    """The cases that count, each with its period, and every period from the first to the last."""
    kept = cases[(cases["excluded"] == "") & cases["call_day"].notna()].copy()
    kept["period"] = kept["call_day"].dt.to_period(EVERY[every])
    return kept, pd.period_range(kept["period"].min(), kept["period"].max(), freq=EVERY[every])


def words_of(cases, subject):
    if subject.yes_or_no:
        return cases[subject.column].map({1.0: "met", 0.0: "not met"})
    return cases[f"{subject.column}__verdict"].astype("str")


def said(periods):
    return [f"{one.year} Q{one.quarter}" if one.freqstr.startswith("Q") else str(one) for one in periods]


@pytest.mark.parametrize("every", EVERY)
@pytest.mark.parametrize("subject", MEASURES, ids=lambda one: one.column)
def test_the_trend_table(table, subject, every):
    cases, periods = plainly(table, every)
    found = trend_table(table, subject, every).set_index("label")
    assert found.index.tolist() == said(periods)
    assert found["start"].tolist() == [f"{one.start_time:%Y-%m-%d}" for one in periods]
    for label, period in zip(found.index, periods, strict=True):
        row, of_period = found.loc[label], cases[cases["period"] == period]
        values, words = of_period[subject.column].dropna(), words_of(of_period, subject)
        met, judged = int((words == "met").sum()), int(words.isin(["met", "not met"]).sum())
        assert (row["cases"], row["n"], row["met"], row["judged"]) == (len(of_period), len(values), met, judged)
        middle = median_interval(values.to_numpy())
        told = [row[name] for name in ("median", "median_low", "median_high", "share_low", "share_high")]
        assert told == pytest.approx([values.median(), middle.low, middle.high, *wilson(met, judged)], rel=1e-14, nan_ok=True)
        assert [row["mean"], row["sd"]] == pytest.approx([values.mean(), values.std()], rel=1e-12, nan_ok=True)
        assert row["share"] == pytest.approx(met / judged if judged else np.nan, rel=1e-14, nan_ok=True)


@pytest.mark.parametrize("every", EVERY)
@pytest.mark.parametrize("subject", MEASURES, ids=lambda one: one.column)
def test_points_and_the_cases_behind_them(table, subject, every):
    """Medians, means and shares are those of a plain grouping; a station's chart is that of a table of its cases alone."""
    cases, periods = plainly(table, every)
    by = cases.assign(word=words_of(cases, subject)).groupby("period")
    met, judged = (by["word"].agg(lambda words, meant=meant: words.isin(meant).sum()) for meant in (["met"], ["met", "not met"]))
    shares = met / judged.where(judged > 0)
    told = {MEDIANS: by[subject.column].median(), MEANS: by[subject.column].mean(), SHARES: shares}
    for sort in set(subject.sorts) & set(told):
        points = chart_of(table, subject, View(every, sort)).points
        known = points["value"].notna().to_numpy()
        assert points["value"].to_numpy()[known] == pytest.approx(told[sort].reindex(periods).to_numpy()[known], rel=1e-12)
        assert known.sum() == told[sort].notna().sum()
        station = (table["station"] == "2").to_numpy()
        part = chart_of(table, subject, View(every, sort), when=calendar_of(table, every).part(station)).points
        pd.testing.assert_frame_equal(part, chart_of(table[station], subject, View(every, sort)).points, check_exact=True)
    period = periods[7 if every == "month" else 3]
    expected = cases.loc[cases["period"] == period, "key"]
    assert keys_at(table, subject, View(every), said([period])[0]) == [key for key in table["key"] if key in set(expected)]


@pytest.mark.parametrize("every", EVERY)
@pytest.mark.parametrize("subject", TIMES, ids=lambda one: one.column)
def test_who_had_it_in_time(table, subject, every):
    cases, periods = plainly(table, every)
    told = times_to(table, subject.done).reindex(cases.index)
    found = in_time_table(table, subject, every)
    assert found["label"].tolist() == said(periods)
    counts = []
    for period in periods:
        rows = told[(cases["period"] == period).to_numpy()].itertuples()
        answers = [in_time(row.time_s, row.code, subject.within_s) for row in rows]
        counts.append((answers.count(True), len([one for one in answers if one is not None])))
    assert list(zip(found["count"], found["n"], strict=True)) == counts
    points = chart_of(table, subject, View(every, IN_TIME)).points
    assert points["value"].tolist() == pytest.approx([a / n if n else np.nan for a, n in counts], nan_ok=True)


def in_time(time_s, code, within_s):
    """Yes or no, None where it is not known."""
    if code == DONE:
        return time_s <= within_s
    return False if code == NEVER or (code == CENSORED and time_s > within_s) else None


def test_times_are_those_of_each_case_read_by_itself(table):
    """The device's status in words, a case at a time; epinephrine's reason for leaving a case out."""
    column = TIMES[0].column
    told = times_to(table, TIMES[0].done)
    for at, one in table[table["excluded"] == ""].iterrows():
        status, value, low = (one[name] for name in (f"{column}__status", column, f"{column}__low"))
        code = {"applied": DONE if pd.notna(value) else None, "never": NEVER, "censored": CENSORED if pd.notna(low) else None}
        right = code.get(status) if pd.notna(status) else None
        assert (told["code"][at] == right) if right is not None else pd.isna(told["code"][at]), at
        assert pd.isna(told["why"][at]) == (right is not None)
        if right is not None:
            assert told["time_s"][at] == (max(0.0, value) if right == DONE else low) or (right == NEVER and pd.isna(low))
    drug = times_to(table, EPINEPHRINE)
    left_out = drug[drug["code"].isna()]
    doses = table.loc[left_out.index, "epinephrine_doses"]
    assert (left_out["why"][doses > 0] == "it was done, at a time not known").all()
    assert (left_out["why"][doses == 0] == "when the effort or its record ended is not known").all()
    assert (left_out["why"][doses.isna()] == "nothing in the case could have recorded it").all()
    assert not table.loc[left_out.index, "effort_end"].isin(["termination", "rosc", "hand-over"])[doses == 0].any()


def test_words_are_compared_as_words(table):
    """Categories by their numbers, text as it is: the same answers, a missing word among none of them."""
    for name in ("station", "witnessed", "compression_fraction__verdict"):
        for words in (("2",), ("met", "not met"), ("",), ("bystander", "nothing of the kind")):
            right = [pd.notna(one) and one in words for one in table[name].astype(object)]
            assert use.is_one_of(table[name], *words).tolist() == right
            assert use.is_one_of(table[name].astype("str"), *words).tolist() == right
            assert use.is_one_of(table[name].astype(object), *words).tolist() == right
    outcome = table["any_rosc"]
    plain = [{True: "yes", False: "no"}.get(one, one) if pd.notna(one) else None for one in outcome.astype(object)]
    assert use.said(outcome).astype(object).where(use.said(outcome).notna(), None).tolist() == plain


def test_what_was_recorded_by_month(table):
    """Months counted one by one; a case without a time is in no month."""
    cases = table.copy()
    cases.loc[:4, ["year", "month"]] = 0
    found = capture(cases)
    assert found.undated == 5
    assert found.months["month"].is_monotonic_increasing
    for row in found.months.itertuples():
        year, month = (int(part) for part in row.month.split("-"))
        of_month = cases[(cases["year"] == year) & (cases["month"] == month)]
        assert (row.known, row.recorded, row.measurable, row.elsewhere) == (
            len(of_month),
            of_month["has_recording"].sum(),
            of_month["measurable"].sum(),
            0,
        )
    assert found.months["known"].sum() == len(cases) - 5
