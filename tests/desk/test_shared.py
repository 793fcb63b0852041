"""What goes out for sharing: by quarter alone, and the same whichever page it was taken from."""

import io
import re

import pandas as pd
import pytest

from qi.desk import board, over_time, samples, shared
from qi.desk.charted import by_group, charted
from qi.desk.over_time import Shown
from qi.exports import trend_files
from qi.library.library import Library
from qi.trends.baselines import NO_PLAN, Excluded, Plan
from qi.trends.board_tables import Hiding, outcomes_table
from qi.trends.hidden_cells import HIDDEN
from qi.trends.series import MEDIANS, PER_MINUTE, POOLED, SHARES, View, trend_table
from qi.trends.series import needed as chart_columns

COLUMNS = ("compression_fraction", "longest_pause_s", "pauses_over_limit", "time_to_device_s.itd.first_compression")


@pytest.fixture(scope="module")
def subjects(tmp_path_factory):
    with Library.open(tmp_path_factory.mktemp("shared") / "library") as library:
        return over_time.subjects(library)


@pytest.fixture(scope="module")
def cases(subjects):
    shown = Shown((samples.OVER_THE_YEARS,), invented=True, stamp="")
    return over_time.read(shown, [name for one in COLUMNS for name in chart_columns(subjects[one])])


@pytest.mark.parametrize("column", COLUMNS)
def test_a_page_by_month_shares_the_very_table_of_the_page_by_quarter(cases, subjects, column):
    """The sample has months of 10 cases and fewer: n of their quarter less the other two months would give them back."""
    months = trend_table(cases, subjects[column], "month")
    assert ((months["n"] > 0) & (months["n"] <= 10)).any()
    given = [shared.trend(cases, charted(cases, subjects[column], View(every)), "") for every in ("month", "quarter")]
    assert trend_files.csv(given[0][0], [given[0][1]]) == trend_files.csv(given[1][0], [given[1][1]])
    rows = given[0][0]
    assert rows["label"].str.contains(" Q").all()
    assert not set(rows["label"]) & set(months["label"])
    known = rows["n"].dropna()
    assert ((known == 0) | (known > 10)).all()
    assert rows["cases"].isna().all()


@pytest.mark.parametrize("sort", [MEDIANS, SHARES, POOLED])
def test_the_points_of_a_chart_by_month_are_shared_by_quarter_as_its_own_page_shares_them(cases, subjects, sort):
    subject = subjects["compression_fraction"]
    given = []
    for every in ("month", "quarter"):
        one = charted(cases, subject, View(every, sort))
        given.append(shared.points(shared.by_quarter(cases, one, NO_PLAN), "of station 3"))
    pd.testing.assert_frame_equal(given[0][0], given[1][0])
    assert given[0][1] == given[1][1]
    assert "by quarter" in given[0][1]
    assert "Cases: of station 3." in given[0][1]
    assert "upright lines" not in given[0][1]
    rows = given[0][0]
    assert rows["label"].str.contains(" Q").all()
    assert not {"value_low", "value_high", "minutes"} & set(rows)
    assert rows.loc[rows["hidden"].str.contains("value"), "value"].isna().all()
    if sort == SHARES:
        assert rows["hidden"].str.contains("count").any()
        assert rows["centre"].isna().all()


def test_n_of_all_files_of_one_measure_is_the_same_or_hidden(cases, subjects):
    """The table, the chart's points and those of the wall: what one hides none of the others shows."""
    subject = subjects["compression_fraction"]
    one = shared.by_quarter(cases, charted(cases, subject, View()), NO_PLAN)
    few = cases.iloc[::4].reset_index(drop=True)
    for table in (cases, few):
        one = shared.by_quarter(table, charted(table, subject, View()), NO_PLAN)
        n = [
            shared.trend(table, one, "")[0]["n"],
            shared.points(one, "")[0]["n"],
            shared.small_charts(table, [subject], {}, "")[0]["n"],
        ]
        for other in n[1:]:
            pd.testing.assert_series_equal(n[0], other, check_names=False)
    assert n[0].isna().any()


def test_a_plan_of_quarters_holds_for_what_is_shared_and_events_go_with_their_cases(cases, subjects):
    plan = Plan(excluded=(Excluded("2030 Q2", "a broken sensor"),))
    one = shared.by_quarter(cases, charted(cases, subjects["pauses_over_limit"], View(sort=PER_MINUTE)), plan)
    rows, said = shared.points(one, "")
    assert rows.loc[rows["left_out"].astype(bool), "label"].tolist() == ["2030 Q2"]
    assert "a broken sensor" in said
    assert rows["n"].dropna().gt(10).all()
    file = pd.read_csv(io.BytesIO(trend_files.csv(rows, [said])), comment="#")
    assert file["n"].tolist() == rows["n"].tolist()


def test_outcomes_are_shared_as_the_report_to_the_board_prints_them(subjects):
    """One table of three outcomes: each by itself could show what the others hide."""
    whole = over_time.read(Shown((samples.OVER_THE_YEARS,), invented=True, stamp=""), board.needed())
    rows, said = shared.outcomes(whole)
    printed = outcomes_table(whole, Hiding(sharing=True))
    assert [list(row) for row in printed.rows] == rows.astype(str).to_numpy().tolist()
    assert (rows == HIDDEN).any(axis=None)
    for text in rows.iloc[:, 1:].to_numpy().ravel():
        for number in re.findall(r"^\d+(?= of |$)|(?<= of )\d+", text):
            assert not 1 <= int(number) <= 10
    assert not re.search(r"\d of \d", said)


def test_where_says_for_sharing_what_charts_say_without_their_cases(cases, subjects):
    few = cases.assign(station=["9" if i < 10 else "2" for i in range(len(cases))])
    cells, groups = by_group(few, [subjects["longest_pause_s"]], View(), "station", most=3)
    told = {cell.group: shared.words_of(cell) for cell in cells}
    assert groups == ["2", "9"]
    assert told["9"] == HIDDEN
    assert told["2"].removeprefix("◆ ") == cells[0].charted.short
    assert any("n " in cell.words for cell in cells)
    assert not any(re.search(r"\bn \d", words) for words in told.values())
    nobody, _ = by_group(few.assign(longest_pause_s=float("nan")), [subjects["longest_pause_s"]], View(), "station", most=3)
    assert {shared.words_of(cell) for cell in nobody} == {"–"}
