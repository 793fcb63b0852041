"""The journal line that sets a clock, and what a setting would change before it is written."""

import json
from dataclasses import replace

import pandas as pd
import pytest

from qi.desk.clocks import body_of, changes, with_setting
from qi.desk.opened import clock_settings, open_case, review_of
from qi.model.case import Clock
from qi.model.clock_proposal import ClockSetting

RECORD = "care_record.xml"


@pytest.fixture
def opened(library, good):
    return open_case(library, good)


def test_a_line_says_what_is_set_and_how_it_stood(opened):
    body = body_of(opened.case, ClockSetting(RECORD, -61.23456, 4.5, "set by a reviewer"), why="told by phone")
    now = opened.case.clocks[RECORD]
    assert body["before"] == {"offset_s": 0.0, "uncertainty_s": now.uncertainty_s, "method": now.method, "placed": True}
    assert (body["clock"], body["offset_s"], body["uncertainty_s"], body["why"]) == (RECORD, -61.235, 4.5, "told by phone")
    assert json.loads(json.dumps(body, allow_nan=False)) == body


def test_a_clock_that_nothing_placed_is_written_as_plain_values(opened):
    loose = Clock(RECORD, uncertainty_s=float("inf"), method="nothing to go by", placed=False)
    case = replace(opened.case, clocks={**opened.case.clocks, RECORD: loose})
    body = body_of(case, ClockSetting(RECORD, 0.0, 60.0, "set by a reviewer"), why="x")
    assert body["before"] == {"offset_s": 0.0, "uncertainty_s": None, "method": "nothing to go by", "placed": False}
    assert json.loads(json.dumps(body, allow_nan=False)) == body


def test_what_is_shown_before_is_what_comes_of_it(library, opened, good):
    setting = ClockSetting(RECORD, -300.0, 5.0, "set by a reviewer")
    now = review_of(opened, [])
    then = with_setting(opened, [], setting)
    table = changes(now, then)
    assert len(table)
    assert (table["now"] != table["then"]).all()
    assert library.lines(good) == [], "nothing is written by looking"
    assert opened.case.clocks[RECORD].offset_s == 0.0
    library.write(good, "clock", body_of(opened.case, setting, why="x"), who="tester", after=0)
    lines = library.lines(good)
    after = review_of(open_case(library, good, clock_settings(lines)), lines)
    assert [one.value for one in after.numbers] == [one.value for one in then.numbers]
    assert [one.verdict for one in after.numbers] == [one.verdict for one in then.numbers]


def test_a_second_setting_takes_the_place_of_the_first(library, opened, good):
    first = ClockSetting(RECORD, -300.0, 5.0, "set by a reviewer")
    library.write(good, "clock", body_of(opened.case, first, why="x"), who="tester", after=0)
    lines = library.lines(good)
    now = open_case(library, good, clock_settings(lines))
    again = with_setting(now, lines, ClockSetting(RECORD, 0.0, now.raw.clocks[RECORD].uncertainty_s, "as it came"))
    assert again.case.clocks[RECORD].offset_s == 0.0
    told = again.case.events.reset_index(drop=True)
    pd.testing.assert_series_equal(told["time_s"], opened.raw.events["time_s"].reset_index(drop=True))


def test_nothing_changes_where_nothing_is_set(opened):
    now = review_of(opened, [])
    same = ClockSetting(RECORD, 0.0, opened.case.clocks[RECORD].uncertainty_s, opened.case.clocks[RECORD].method)
    assert changes(now, with_setting(opened, [], same)).empty
    assert list(changes(now, now).columns) == ["measure", "now", "then"]
