"""Capture: how much of what happened was recorded, and by which sensors."""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from qi.model.errors import BadTable, NotMeasurable
from qi.trends.capture import by_sensor, capture, kinds, sensors_across
from tests.trends.cases import case, repeated, table

IMPEDANCE, DEPTH = "thoracic_impedance/", "compression_depth+thoracic_impedance/co2"


@pytest.fixture
def cases():
    return table(
        *repeated(12, day="2031-03-05"),
        *repeated(3, day="2031-03-06", measurable=False),
        *repeated(2, day="2031-03-07", has_recording=False, measurable=False, excluded="an exercise"),
        *repeated(4, day="2031-04-01"),
        case(day=None),
    )


def test_months_counted_by_hand(cases):
    found = capture(cases)
    assert found.months["month"].tolist() == ["2031-03", "2031-04"]
    assert found.months[["known", "recorded", "measurable"]].to_numpy().tolist() == [[17, 15, 12], [4, 4, 4]]
    assert found.months["recorded_share"][0] == 15 / 17
    assert np.isnan(found.months["recorded_share"][1])
    assert found.months["shown"].tolist() == ["grey", "counts only"]
    assert (found.recorded.count, found.recorded.n, found.undated) == (20, 22, 1)
    assert "this library knows" in found.words()
    assert "a list from dispatch would add them" in found.words()


def test_arrests_that_only_dispatch_knows_are_counted_once(cases):
    known = pd.DataFrame({"case_id": ["rv-0", "rv-x", "rv-x", "rv-y"], "year": 2031, "month": [3, 3, 3, 5]})
    found = capture(cases, known)
    assert found.months["month"].tolist() == ["2031-03", "2031-04", "2031-05"]
    assert found.months["known"].tolist() == [18, 4, 1]
    assert found.months["elsewhere"].tolist() == [1, 0, 1]
    assert found.months["recorded"].tolist() == [15, 4, 0]
    assert "dispatch and care records know" in found.words()


def test_kinds_of_sensors_as_the_cohort_table_writes_them():
    assert kinds("compression_depth+charted/co2") == ("compression_depth", "charted", "breaths: co2")
    assert kinds("/") == ("no sensor",)


def test_by_month_and_sensor():
    cases = table(*repeated(2, sensors=IMPEDANCE), case(sensors=DEPTH, measurable=False), case(sensors="/", measurable=False))
    found = by_sensor(cases)
    assert found.to_dict("records") == [
        {"month": "2031-03", "sensor": sensor, "cases": count, "measurable": measurable, "known": 4}
        for sensor, count, measurable in [
            ("breaths: co2", 1, 0),
            ("compression_depth", 1, 0),
            ("no sensor", 1, 0),
            ("thoracic_impedance", 3, 2),
        ]
    ]


def test_new_equipment_is_said_so_that_it_does_not_look_like_improvement():
    cases = table(*repeated(20, day="2031-06-01", sensors=IMPEDANCE), *repeated(20, day="2031-07-01", sensors=DEPTH))
    shifts, warning = sensors_across(cases, date(2031, 7, 1))
    apart = {one.sensor for one in shifts if one.apart}
    assert apart == {"compression_depth", "breaths: co2"}
    assert "compression_depth (0 %, then 100 %)" in warning
    assert "can be the equipment's alone" in warning
    depth = next(one for one in shifts if one.sensor == "compression_depth")
    assert (depth.before.count, depth.before.n, depth.after.count, depth.after.n) == (0, 20, 20, 20)


def test_equipment_that_stayed_is_said_too():
    cases = table(*repeated(20, day="2031-06-01"), *repeated(20, day="2031-07-01"), case(day=None))
    shifts, warning = sensors_across(cases, date(2031, 7, 1))
    assert not any(one.apart for one in shifts)
    assert "a small change can still go unseen" in warning
    one_sided, _ = sensors_across(cases, date(2040, 1, 1))
    assert not any(one.apart for one in one_sided)


def test_nothing_known_and_columns_missing(cases):
    with pytest.raises(NotMeasurable):
        capture(table())
    with pytest.raises(BadTable, match="lacks measurable"):
        capture(cases.drop(columns="measurable"))
    assert by_sensor(table()).empty


def test_in_one_line(cases):
    assert capture(cases).in_short() == "Of 22 arrests known to this library, 20 (91 %) were recorded and 17 (77 %) are measurable."
    few = capture(table(*repeated(3)), pd.DataFrame({"case_id": ["rv-x"], "year": 2031, "month": 3})).in_short()
    assert few == "Of 4 arrests known, 3 were recorded and 3 are measurable."


def test_one_arrest_is_said_as_one():
    one = capture(table(case(), case(day=None, has_recording=False, measurable=False)).iloc[:1])
    assert one.in_short() == "Of 1 arrest known to this library, 1 was recorded and 1 is measurable."
    undated = capture(table(case(), case(day=None)))
    assert "The time of 1 call is not known." in undated.words()
