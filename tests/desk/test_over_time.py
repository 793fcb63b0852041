"""The page over time: which table it shows, its cases, its charts; and that it finds what is hidden in the sample agency."""

import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from qi.desk import charted, cohort, over_time
from qi.desk.bring_in import bring_in
from qi.desk.over_time import Which
from qi.library.library import Library
from qi.model.errors import NotMeasurable, UnreadableFile
from qi.trends.series import View, needed

SAMPLES = Path(__file__).parents[2] / "sample_cases"
CHANGES = json.loads((SAMPLES / "agency.answers.json").read_text(encoding="utf-8"))["changes"]


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    """A library with one invented case."""
    with Library.open(tmp_path_factory.mktemp("library"), database=None) as opened:
        bring_in(opened, SAMPLES / "rv-2031-0107", who="M. Ortiz", agency="Rillstone Valley EMS (invented)", invented=True)
        list(cohort.build(opened))
        yield opened


@pytest.fixture(scope="module")
def subjects(library):
    return over_time.subjects(library)


@pytest.fixture(scope="module")
def table(library, subjects):
    columns = [name for column in over_time.MAIN for name in needed(subjects[column])]
    return over_time.read(over_time.shown(library), columns)


def test_sample_agency_and_the_librarys_samples_stand_together_each_case_once(library, table):
    shown = over_time.shown(library)
    assert shown.invented
    assert len(shown.folders) == 2
    assert not table["case_id"].duplicated().any()
    assert "rv-2031-0107" in table["case_id"].tolist()
    assert len(table) > 400
    assert table["call_day"].is_monotonic_increasing


def test_an_agency_with_cases_of_its_own_sees_them_alone(tmp_path):
    with Library.open(tmp_path / "own", database=None) as library:
        bring_in(library, SAMPLES / "rv-2031-0107", who="M. Ortiz", agency="Ours", invented=False)
        list(cohort.build(library))
        shown = over_time.shown(library)
        assert not shown.invented
        assert over_time.read(shown, [])["case_id"].tolist() == ["rv-2031-0107"]


def test_without_any_table_it_is_said(tmp_path):
    shown = over_time.Shown((tmp_path,), invented=False, stamp="")
    with pytest.raises(UnreadableFile, match="no cohort table"):
        over_time.read(shown, [])


def test_cases_are_chosen_by_source_group_and_day(table):
    which = Which("signed", {"station": ("2",), "shift": ()}, "2030-01-01", "2030-12-31")
    rows = over_time.chosen(table, which)
    assert set(rows["source"]) == {"signed"}
    assert set(rows["station"]) == {"2"}
    assert rows["call_day"].between(pd.Timestamp("2030-01-01"), pd.Timestamp("2030-12-31")).all()
    assert which.words == "signed cases alone, station 2, from 2030-01-01, until 2030-12-31"
    assert Which().words == ""
    assert len(over_time.chosen(table, Which())) == len(table)


@pytest.mark.parametrize(("values", "said"), [
    (("yes",), "an ITD was used"), (("no",), "no ITD was used"), (("yes", "no"), "an ITD was used or no ITD was used"),
])  # fmt: skip
def test_a_choice_by_device_is_said_in_plain_words(values, said):
    assert Which(groups={"device_used": values, "station": ("1", "2")}).words == f"{said}, station 1 or 2"


def test_cases_chosen_by_what_is_done_in_the_arrest_are_without_outcomes():
    allowed = {"station": ("2",), "shift": ("A",), "unit": ("Medic 11",), "first_rhythm": ("VF",)}
    assert Which("signed", allowed, "2030-01-01").no_outcomes == Which().no_outcomes == ""
    for name in set(over_time.GROUPED) - set(allowed):
        assert over_time.GROUPED[name] in Which(groups={name: ("yes",)}).no_outcomes
        assert Which(groups={name: ()}).no_outcomes == ""


def test_every_measure_of_the_table_has_a_name_and_its_limit(subjects):
    assert subjects["compression_fraction"].limit == "at least 60\u00a0%"
    assert subjects["ventilation_rate.advanced_airway"].label == "Ventilation rate, advanced airway"
    assert subjects["interval_s.on_scene.call"].label == "Call to on scene"
    assert len({one.label for one in subjects.values()}) == len(subjects)
    assert set(over_time.MAIN) <= set(subjects)


def first_month(one):
    """The first month of the newest long run of a chart."""
    runs = [signal for signal in one.signals if signal.rule == "long run"]
    newest = max(runs, key=lambda run: run.last)
    return one.chart.points["label"].iloc[newest.first]


def test_the_page_finds_the_training(table, subjects):
    """A training shortens pauses at every station: agency.answers.json says since when."""
    change = CHANGES[0]
    one = charted.charted(table, subjects["longest_pause_s"], View())
    months = one.chart.points["label"]
    before, after = (next(run for run in one.signals if run.rule == "long run" and run.above == above) for above in (True, False))
    assert months.iloc[before.last] <= "2030-05"
    assert change["from"] <= months.iloc[after.first] <= "2030-06"
    assert all("unlikely by chance" in sentence for sentence in one.sentences[:2])


def test_the_page_finds_the_new_device(table, subjects):
    change = CHANGES[1]
    one = charted.charted(table, subjects["time_to_device_s.itd.first_compression"], View())
    assert change["from"] <= first_month(one) <= "2031-01"
    assert one.short.startswith(("14 in a row above since", "15 in a row above since", "13 in a row above since"))


def test_the_page_finds_the_drift_at_one_station_alone(table, subjects):
    """All stations together may hide it; station by station it shows at station 2 and at no other."""
    cells, groups = charted.by_group(table, [subjects["ventilation_rate.advanced_airway"]], View(), "station", most=12)
    assert groups == ["1", "2", "3"]
    assert [cell.group for cell in cells if cell.charted.signals] == CHANGES[2]["stations"]


@pytest.mark.parametrize("by", ["station", "shift", "unit", "first_rhythm"])
def test_the_charts_of_groups_are_those_of_their_cases_alone(table, subjects, by):
    """All groups are cut from one calendar of the whole; a chart of a group must not show it. The groups with the most cases are
    those that pandas counts."""
    wanted = [subjects[column] for column in over_time.MAIN]
    cells, groups = charted.by_group(table, wanted, View("quarter"), by, most=3)
    words = table[by].astype("str")
    assert groups == sorted(words[words.fillna("") != ""].value_counts().head(3).index)
    assert [(cell.subject, cell.group) for cell in cells] == [(one, group) for one in wanted for group in groups]
    for cell in cells:
        cases = table[(words == cell.group).to_numpy()]
        assert cell.cases == cases[cell.subject.column].notna().sum()
        if cell.charted is None:
            with pytest.raises(NotMeasurable):
                charted.charted(cases, cell.subject, View("quarter"), small=True)
            continue
        alone = charted.charted(cases, cell.subject, View("quarter"), small=True)
        pd.testing.assert_frame_equal(cell.charted.chart.points, alone.chart.points, check_exact=True)
        assert (cell.charted.sentences, cell.charted.drawn.latest) == (alone.sentences, alone.drawn.latest)


def test_groups_below_ten_cases_are_counts_only(table, subjects):
    few = pd.concat([table[table["station"] == "2"].tail(60), table[table["station"] == "1"].tail(5)])
    cells, _ = charted.by_group(few, [subjects["compression_fraction"]], View(), "station", most=12)
    assert cells[0].words.endswith("cases: counts only")
    assert "counts only" not in cells[1].words
    assert f"n {cells[1].cases}: {cells[1].charted.short}" in cells[1].words
    assert f"n 29, few: {cells[1].charted.short}" in replace(cells[1], cases=29).words


def test_what_stands_on_the_page_says_how_often_chance_alone_signals(table, subjects):
    made, without = charted.wall(table, [subjects[column] for column in over_time.MAIN], View(), {})
    assert len(made) == len(over_time.MAIN)
    assert not without
    assert f"at least one of these {len(made)} charts" in charted.by_chance(made)
    assert all(", n " in one.drawn.latest for one in made)
    assert all(one.averaged for one in made)
