"""A measure by group: one scale, order of names, the display rule; case mean against time-pooled."""

import numpy as np
import pandas as pd
import pytest

from qi.model.errors import BadTable, NotMeasurable, UnknownWord
from qi.trends.averages import CASE_MEAN, CASE_MEDIAN, TIME_POOLED, both_in_words, case_mean, known_arrest_s, time_pooled
from qi.trends.cohort_columns import COHORT
from qi.trends.grouping import DAY_BANDS, WAYS, full_name, group_of, in_order
from qi.trends.groups import keys_of, met_by, multiples
from qi.trends.shrinkage import shrunken
from tests.trends.cases import case, repeated, table

RATE = "compression_rate"


@pytest.fixture
def cases():
    rows = [case(station="10", day=f"2031-0{1 + i % 3}-10", compression_rate=100.0 + i) for i in range(30)]
    rows += [case(station="2", compression_rate=90.0 + i) for i in range(12)]
    rows += repeated(5, station="2")
    rows += [case(station="3", compression_rate=200.0) for _ in range(9)]
    return table(*rows, case(station="2", compression_rate=900.0, excluded="an exercise"))


def test_panels_counted_by_hand(cases):
    found = multiples(cases, RATE, "station")
    assert list(found.rows["group"]) == ["2", "3", "10"]
    assert list(found.rows["shown"]) == ["grey", "counts only", "plain"]
    assert list(found.rows["known"]) == [12, 9, 30]
    assert list(found.rows["missing"]) == [5, 0, 0]
    assert list(found.rows["median"].dropna()) == [95.5, 114.5]
    assert np.isnan(found.rows["median"][1])
    assert set(found.months["group"]) == {"2", "10"}
    january = found.months[(found.months["group"] == "10") & (found.months["month"] == "2031-01")].iloc[0]
    assert (january["cases"], january["median"]) == (10, 113.5)


def test_medians_are_drawn_in_by_what_their_intervals_leave_to_chance():
    """Worked by hand from the rows: the variance of a median from its interval, then the estimate of Morris."""
    rows = [case(station=str(at), compression_rate=90.0 + 4 * at + (i * 7) % 23) for at in range(5) for i in range(12 + 9 * at)]
    rows += [case(station="9", compression_rate=300.0) for _ in range(9)]
    found = multiples(table(*rows), RATE, "station")
    told = found.rows.iloc[:5]
    variance = ((told["high"] - told["low"]) / (2 * 1.959964)) ** 2
    pulled, reliability = shrunken(told["median"], variance)
    assert told["drawn_in"].tolist() == pytest.approx(pulled, abs=1e-5)
    assert told["reliability"].tolist() == pytest.approx(reliability, abs=1e-5)
    assert told["reliability"].is_monotonic_increasing
    assert found.rows.iloc[5][["median", "drawn_in", "reliability"]].isna().all()
    notes = " ".join(found.notes)
    assert "regression to the mean" in notes
    assert "From about " in notes
    assert " cases on, 70 % or more of what a group differs by can be relied on" in notes


def test_few_groups_and_cases_all_alike_are_not_drawn_in(cases):
    few = multiples(cases, RATE, "station")
    assert few.rows["drawn_in"].isna().all()
    assert "Fewer than 4 groups of 10 cases" in " ".join(few.notes)
    alike = multiples(table(*(case(station=str(i % 4), compression_rate=100.0) for i in range(80))), RATE, "station")
    assert alike.rows["drawn_in"].isna().all()
    assert "most cases are alike" in " ".join(alike.notes)


def test_one_scale_holds_everything_that_is_drawn_and_nothing_that_is_not(cases):
    found = multiples(cases, RATE, "station")
    low, high = found.scale
    drawn = np.concatenate([found.rows[["low", "median", "high"]].to_numpy().ravel(), found.months["median"]])
    assert (low, high) == (np.nanmin(drawn), np.nanmax(drawn))
    assert high < 200.0


def test_notes_say_how_it_was_put_together_and_what_is_missing(cases):
    notes = " ".join(multiples(cases, RATE, "station").notes)
    assert CASE_MEDIAN in notes
    assert "no ranking" in notes
    assert "counts only: 3." in notes
    assert "greyed: 2." in notes
    assert "Without a number: 5 of 56 cases" in notes
    for by in ("device_used", "airway_kind"):
        assert "how long their arrests lasted" in " ".join(multiples(cases, RATE, by).notes)


@pytest.mark.parametrize("by", WAYS)
def test_every_way_is_a_column_and_works_without_values(by):
    assert by in {column.name for column in COHORT}
    found = multiples(table(case(), case()), RATE, by)
    assert found.scale is None
    assert found.rows["cases"].sum() == 2


def test_hours_stand_in_bands_and_what_is_missing_last():
    hours = group_of(table(*(case(hour=hour) for hour in (23.0, 0.0, 5.0, 6.0)), case()), "hour")
    assert list(hours) == [DAY_BANDS[3], DAY_BANDS[0], DAY_BANDS[0], DAY_BANDS[1], "not recorded"]
    assert in_order(hours) == [DAY_BANDS[0], DAY_BANDS[1], DAY_BANDS[3], "not recorded"]


def test_words_of_the_vocabulary_are_read_as_words_and_names_are_left_alone():
    one = table(case(airway_kind="tracheal_tube", sensors="/", unit="medic_11"), case(sensors="compression_depth/co2"))
    assert list(group_of(one, "airway_kind")) == ["tracheal tube", "not recorded"]
    assert list(group_of(one, "sensors")) == ["no sensor", "compression depth/co2"]
    assert list(group_of(one, "unit")) == ["medic_11", "not recorded"]


def test_device_used_in_words():
    assert list(group_of(table(case(device_used="yes"), case(device_used="no"), case()), "device_used")) == [
        "device used",
        "no device used",
        "not recorded",
    ]


def test_met_by_station_counts_what_was_not_judged_as_missing():
    words = ["met", "met", "not met", "not measurable", "no limit set", None]
    found = met_by(table(*(case(compression_rate__verdict=word) for word in words)), RATE, "station")
    assert found.to_dict("records") == [{"group": "2", "count": 2, "n": 3, "missing": 3, "shown": "counts only"}]


def test_what_is_no_way_or_no_column(cases):
    with pytest.raises(UnknownWord, match="crew"):
        multiples(cases, RATE, "crew")
    with pytest.raises(BadTable, match="lacks compression_rates"):
        multiples(cases, "compression_rates", "station")
    assert multiples(table(), RATE, "station").rows.empty


def test_case_mean_and_time_pooled_differ_and_each_says_which_it_is():
    """By hand: 0.9 of 100 s and 0.5 of 900 s: mean of cases 0.7, of the time (90 + 450) / 1000."""
    told = [
        {"compression_fraction": 0.9, "no_flow_s": 10.0},
        {"compression_fraction": 0.5, "no_flow_s": 450.0},
        {"no_flow_s": 3.0},
        {"compression_fraction": 1.0, "no_flow_s": 0.0},
    ]
    cases = table(*(case(**one) for one in told), case(compression_fraction=0.1, no_flow_s=90.0, excluded="an exercise"))
    seconds = known_arrest_s(cases)
    assert list(seconds[:2]) == pytest.approx([100.0, 900.0])
    assert seconds[2:4].isna().all()
    pooled = time_pooled(cases, "compression_fraction", seconds)
    assert (pooled.value, pooled.cases, pooled.missing) == (pytest.approx(0.54), 2, 2)
    assert pooled.averaged == TIME_POOLED
    mean = case_mean(cases[:2], "compression_fraction")
    assert (mean.value, mean.averaged) == (pytest.approx(0.7), CASE_MEAN)
    with pytest.raises(NotMeasurable):
        case_mean(cases[2:3], "compression_fraction")
    with pytest.raises(NotMeasurable):
        time_pooled(cases, "compression_fraction", pd.Series(0.0, index=cases.index))


def test_cases_without_a_pause_and_without_a_compression_count_by_their_known_time():
    """By hand: 1100 compressions at 110 a minute are 10 min, with no pause in them; no compression in 50 s is 50 s of pause."""
    without_pause = {"compression_fraction": 1.0, "no_flow_s": 0.0, "compressions_per_minute": 110.0}
    none = {"compression_fraction": 0.0, "no_flow_s": 50.0, "compressions_per_minute": 0.0, "compressions_per_minute__n": 0.0}
    cases = table(case(**without_pause, compressions_per_minute__n=1100.0), case(**none))
    assert known_arrest_s(cases).tolist() == pytest.approx([600.0, 50.0])
    pooled = time_pooled(cases, "compression_fraction", known_arrest_s(cases))
    assert (pooled.value, pooled.cases, pooled.missing) == (pytest.approx(600 / 650), 2, 0)


def test_both_ways_stand_side_by_side_from_ten_cases_on():
    """By hand: nine cases of 100 s at 0.9 and one of 900 s at 0.5: mean 8.6 / 10, of the time (810 + 450) / 1800."""
    told = [case(compression_fraction=0.9, no_flow_s=10.0) for _ in range(9)]
    assert both_in_words(table(*told)) == ""
    text = both_in_words(table(*told, case(compression_fraction=0.5, no_flow_s=450.0)))
    assert "mean of cases 86.0 % (n 10), time-pooled 70.0 % (n 10)" in text
    assert both_in_words(table()) == ""


def test_by_quarter(cases):
    found = multiples(cases, RATE, "station", every="quarter")
    assert set(found.months["month"]) == {"2031 Q1"}
    assert "A quarter of one group rests on few cases" in " ".join(found.notes)


def test_keys_of_a_group_by_either_name_leave_out_excluded_cases(cases):
    assert len(keys_of(cases, "station", "2")) == 17
    assert keys_of(cases, "station", "Station 2") == keys_of(cases, "station", "2")
    assert keys_of(cases, "station", "Station 7") == []


def test_a_number_alone_is_named_in_full_and_a_name_is_left_alone():
    assert full_name("station", "2") == "Station 2"
    assert full_name("unit", "Medic 11") == "Medic 11"
    assert full_name("first_rhythm", "VF") == "VF"


def test_an_answer_of_yes_or_no_counts_as_met_and_not_met():
    found = met_by(table(case(first_pass=1.0), case(first_pass=0.0), case()), "first_pass", "station", yes_or_no=True)
    assert found[["count", "n", "missing"]].to_numpy().tolist() == [[1, 2, 1]]
