"""When the effort ended and by what: by hand, and on simulated cases with and without the ITD charted."""

from dataclasses import replace

import pandas as pd
import pytest

from qi.measures.effort import ENDINGS, HAND_OVER, RECORD_END, ROSC, TERMINATION, end_of_effort
from qi.model.findings import Arrest
from qi.model.spans import Spans
from qi.pipeline import choose_protocol, review
from qi.trends.cohort_columns import EFFORT_ENDS
from tests.simulator.agency import calls, case_of, plan_of
from tests.simulator.cut_short import OPEN_END

PRESSED = pd.DataFrame({"onset_s": [40.0, 40.5]})
NOBODY = pd.DataFrame({"onset_s": []})


def course(closed_by, *spans):
    return Arrest(Spans.of(spans or [(40.0, 640.0)]), closed_by=closed_by)


@pytest.mark.parametrize(
    ("closed_by", "how"),
    [("rosc", ROSC), ("terminated", TERMINATION), ("care_transferred", HAND_OVER), ("recording", RECORD_END)],
)
def test_without_a_time_of_rosc_or_termination_the_course_tells(closed_by, how):
    assert end_of_effort(PRESSED, course(closed_by), rosc_s=None, terminated_s=None) == (600.0, how)
    assert end_of_effort(NOBODY, course(closed_by), rosc_s=None, terminated_s=None) == (None, how)


def test_whichever_of_rosc_and_termination_came_first_ends_it():
    again = course("terminated", (40.0, 340.0), (400.0, 640.0))
    assert end_of_effort(PRESSED, again, rosc_s=300.0, terminated_s=600.0) == (300.0, ROSC)
    assert end_of_effort(PRESSED, again, rosc_s=None, terminated_s=600.0) == (600.0, TERMINATION)


def test_a_hand_over_after_a_re_arrest_that_is_not_charted_ends_the_last_stretch():
    again = course("care_transferred", (40.0, 340.0), (400.0, 700.0))
    assert end_of_effort(PRESSED, again, rosc_s=None, terminated_s=None) == (660.0, HAND_OVER)


def test_without_an_arrest_nothing_is_told():
    assert end_of_effort(NOBODY, Arrest(), rosc_s=None, terminated_s=None) == (None, None)


def test_the_words_are_those_of_the_cohort_table():
    assert ENDINGS == EFFORT_ENDS


def told(case):
    found = review(case, choose_protocol(case))
    times = {
        one.of: one.value for one in found.numbers if (one.id, one.from_) == ("interval_s", "first_compression_ems") and one.value
    }
    ended = end_of_effort(
        found.findings.compressions, found.findings.course, rosc_s=times.get("rosc"), terminated_s=times.get("terminated")
    )
    (status,) = {one.number.status for one in found.numbers if one.id == "time_to_device_s" and one.of == "itd"}
    return ended, status


def some(closing, how_many):
    """Calls that a monitor recorded, which ended in this way, and in which an ITD was on."""
    fits = (call for call in calls() if call.recorded_by and (plan := plan_of(call)[0]).rosc_s is None and plan.closing == closing)
    found = [call for call in fits if any(one.value == "itd" for one in plan_of(call)[0].extra)]
    return found[:how_many]


@pytest.mark.parametrize(("closing", "how"), [("care_transferred", HAND_OVER), (OPEN_END, RECORD_END), ("terminated", TERMINATION)])
def test_the_end_is_the_same_whether_or_not_an_itd_was_on(closing, how):
    for call in some(closing, 2):
        case = case_of(call)
        on = case.events["type"].isin(("device_on", "device_off")) & (case.events["value"] == "itd")
        assert on.any()
        with_it, status = told(case)
        assert status == "applied"
        assert with_it[1] == how
        assert with_it[0] > 60.0
        without, status = told(replace(case, events=case.events[~on].reset_index(drop=True)))
        assert status in ("never", "censored")
        assert without == with_it
