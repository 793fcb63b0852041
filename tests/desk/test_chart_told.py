"""The chart's own points as a table, and the words that go with them: each table bears the words of its own numbers."""

import io
import xml.etree.ElementTree as ET

import numpy as np
import pandas as pd
import pytest

from qi.desk import chart_told
from qi.desk.board import chart_picture
from qi.desk.charted import charted
from qi.exports import trend_files
from qi.model.cautions import LONG, SHORT
from qi.trends.averages import CASE_MEDIAN, TIME_POOLED
from qi.trends.baselines import NO_PLAN, Baseline, Excluded, Phase, Plan
from qi.trends.board_tables import Hiding
from qi.trends.hidden_shapes import shape_of
from qi.trends.kinds import choose
from qi.trends.series import CASES, IN_TIME, MEDIANS, PER_MINUTE, POOLED, SHARES, Subject, View
from tests.desk.test_charted import COUNTED, DEPTH, FRACTION, table

PLAN = Plan((Baseline("2029-10-15", "before the training"),), (Phase("2030-01-01", "training"),), (Excluded("2029-06", "drill"),))


def test_time_pooled_points_are_those_of_all_seconds_and_say_so():
    cases = table(48)
    one = charted(cases, FRACTION, View("month", POOLED))
    rows = chart_told.rows(one).set_index("label")
    seconds, share = cases["no_flow_s"] / (1 - cases["compression_fraction"]), cases["compression_fraction"]
    months = cases["call_day"].dt.strftime("%Y-%m")
    plain = (seconds * share).groupby(months).sum() / seconds.groupby(months).sum()
    assert rows["value"].loc[plain.index].to_numpy() == pytest.approx(plain.to_numpy())
    assert TIME_POOLED in chart_told.says(one)
    assert CASE_MEDIAN not in chart_told.says(one)


def test_shares_done_in_time_have_counts_and_intervals_and_medians_say_whose_they_are():
    subject = Subject("time_to_epinephrine_s", "Time to epinephrine", "s", goal=300.0)
    cases = table(48, time_to_epinephrine_s=np.where(np.arange(48) % 4, 200.0, np.nan))
    for name in subject.done.needed:
        if name not in cases:
            cases[name] = np.nan
    cases["time_to_epinephrine_s__verdict"] = "met"
    one = charted(cases, subject, View("month", IN_TIME))
    rows = chart_told.rows(one)
    assert {"n", "count", "value_low", "value_high"} <= set(rows)
    known = rows[rows["n"] > 0]
    assert (known["count"] / known["n"]).to_numpy() == pytest.approx(known["value"].to_numpy())
    assert "never had it are among the n" in chart_told.says(one)
    assert "whoever went without is not in this number" in chart_told.says_of_trend(one)
    assert "are among the n" not in chart_told.says_of_trend(one)


def test_phases_baseline_and_left_out_points_stand_in_the_rows_with_their_reasons():
    one = charted(table(48), FRACTION, View("month", MEDIANS, "xmr"), PLAN)
    rows = chart_told.rows(one).set_index("label")
    assert rows.loc["2029-06", ["left_out", "reason"]].tolist() == [True, "drill"]
    assert rows["phase"].unique().tolist() == [1, 2]
    assert rows["phase_begun"].unique().tolist() == ["", "training"]
    said = chart_told.says(one)
    for reason in ("before the training", "training", "drill"):
        assert f"Reason given: {reason}." in said
    assert "Asked for: at least 60 %." in said


def test_a_rate_has_minutes_and_cases_apart():
    rows = chart_told.rows(charted(table(48), COUNTED, View("month", PER_MINUTE)))
    assert "n" not in rows
    assert rows["cases"].tolist() == [2] * 24
    assert (rows["count"] / rows["minutes"]).to_numpy() == pytest.approx(rows["value"].to_numpy())


@pytest.mark.parametrize(
    ("subject", "sort", "kind"),
    [(one, sort, kind) for one in (FRACTION, DEPTH, COUNTED) for sort in one.sorts for kind in choose(sort).kinds],
    ids=lambda one: getattr(one, "column", one),
)
def test_every_chart_has_its_rows_as_a_file_that_small_cells_cannot_be_hidden_in(subject, sort, kind):
    cases = table(96)
    cases.loc[::7, [f"{one.column}__verdict" for one in (FRACTION, DEPTH, COUNTED)]] = "not met"
    one = charted(cases, subject, View("month", sort, kind), PLAN if sort in (MEDIANS, SHARES) else NO_PLAN)
    rows = chart_told.rows(one)
    assert rows["value"].equals(one.chart.points["value"])
    assert ("n" in rows) is (sort != PER_MINUTE and one.chart.every != "case")
    assert shape_of(rows) is None
    assert len(chart_told.as_read(rows, one)) == len(rows)
    text = trend_files.csv(rows, [chart_told.says(one, "station 2")]).decode()
    assert "# Cases: station 2." in text
    assert pd.read_csv(io.StringIO(text), comment="#").shape[0] == len(rows)
    assert sort != CASES or "Single cases" in text


@pytest.mark.parametrize("sharing", [False, True])
def test_a_picture_that_stands_alone_bears_its_cautions_notes_and_reasons(sharing):
    one = charted(table(48), FRACTION, View("month", MEDIANS, "xmr"), PLAN)
    picture = chart_picture(one, Hiding(sharing), alone=True)
    rows = [text.text for text in ET.fromstring(picture).iter("{http://www.w3.org/2000/svg}text")]
    said = " ".join(row for row in rows if row)
    for sentence in (
        SHORT,
        *LONG,
        CASE_MEDIAN,
        "Reason given: drill.",
        "Reason given: before the training.",
        "Asked for: at least 60 %",
    ):
        assert sentence in said
    assert "n stands under each point." in said
    assert "Reason given: drill." not in " ".join(
        text.text or "" for text in ET.fromstring(chart_picture(one, Hiding(sharing))).iter("{http://www.w3.org/2000/svg}text")
    )
