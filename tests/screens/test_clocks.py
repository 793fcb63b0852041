"""Clocks on screen: what is proposed and why, accepted, kept, set by hand, undone; what the files told stays as it is."""

import re
import shutil
from datetime import datetime, timedelta

import pytest

from qi.desk.opened import clock_settings, open_case
from tests.screens.acting import named, names
from tests.screens.conftest import SAMPLES, Shelf, words

STAMP = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d"
RECORD = "care_record.xml"


def shifted(folder, seconds):
    """A copy of a sample case whose care record was written by a clock that is off."""
    folder.mkdir()
    shutil.copy(SAMPLES / "rv-2031-0107" / "monitor.edf", folder)
    text = (SAMPLES / "rv-2031-0107" / RECORD).read_text(encoding="utf-8")
    moved = re.sub(STAMP, lambda found: (datetime.fromisoformat(found[0]) + timedelta(seconds=seconds)).isoformat(), text)
    (folder / RECORD).write_text(moved, encoding="utf-8")
    return folder


@pytest.fixture
def late(place, tmp_path):
    """A library with a case whose care record is 7 minutes ahead."""
    shelf = Shelf(place)
    shelf.bring(shifted(tmp_path / "late", 420))
    yield shelf
    shelf.library.close()


def opened(shelf, case="late"):
    key = shelf.key(case)
    return open_case(shelf.library, key, clock_settings(shelf.library.lines(key)))


def test_a_proposal_tells_its_evidence_and_what_it_would_change(late):
    app = late.opened("clocks", "late")
    assert not app.exception
    said = words(app)
    assert "Everything is shown on the clock of monitor.edf" in said
    assert "evidence: good" in said
    assert "This would change" in said
    assert not app.warning, "7 minutes are no hour"
    pairs = next(frame.value for frame in app.dataframe if len(frame.value.columns) > 3)
    assert len(pairs) >= 3
    changes = next(frame.value for frame in app.dataframe if list(frame.value.columns) == ["measure", "now", "then"])
    assert (changes["now"] != changes["then"]).all()
    assert "quality improvement" in said


def test_what_is_accepted_moves_the_clock_and_nothing_that_was_recorded(late):
    key = late.key("late")
    raw = late.library.case(key)
    kept = {file.name: file.sha256 for file in late.library.files(key)}
    app = late.opened("clocks", "late")
    named(app.button, f"accept-{RECORD}").click().run()
    assert not app.exception
    (line,) = late.lines("late")
    assert (line.kind, line.who) == ("clock", "tester")
    assert line.body["offset_s"] == pytest.approx(-420.0, abs=60.0)
    assert line.body["why"]
    now = opened(late)
    assert now.case.clocks[RECORD].offset_s == line.body["offset_s"]
    assert now.raw.clocks[RECORD].offset_s == 0.0
    after = late.library.case(key)
    assert after.events.equals(raw.events)
    assert after.clocks == raw.clocks
    assert after.sources == raw.sources
    assert {file.name: file.sha256 for file in late.library.files(key)} == kept
    assert late.library.check(key) == []
    moved = now.case.events.query(f"source == '{RECORD}'")["time_s"].sort_values()
    before = raw.events.query(f"source == '{RECORD}'")["time_s"].sort_values()
    assert (moved.to_numpy() - before.to_numpy()) == pytest.approx(line.body["offset_s"])
    said = words(app)
    assert "already stands where these moments put it" in said
    assert f"{RECORD}: {line.body['offset_s']:+.1f} s" in said
    named(app.button, f"undo-clock-{line.number}").click().run()
    assert not app.exception
    assert opened(late).case.clocks[RECORD].offset_s == 0.0
    assert [one.kind for one in late.lines("late")] == ["clock", "undo"]
    assert f"accept-{RECORD}" in names(app.button)


def test_a_clock_is_set_by_hand_with_a_reason(late):
    app = late.opened("clocks", "late")
    assert named(app.button, f"set-{RECORD}").disabled
    named(app.number_input, f"offset-{RECORD}").set_value(-415.0).run()
    named(app.number_input, f"within-{RECORD}").set_value(5.0).run()
    named(app.text_input, f"why-{RECORD}").set_value("checked against the dispatch log").run()
    named(app.button, f"set-{RECORD}").click().run()
    assert not app.exception
    (line,) = late.lines("late")
    body = line.body
    assert (body["offset_s"], body["uncertainty_s"], body["why"]) == (-415.0, 5.0, "checked against the dispatch log")
    assert opened(late).case.clocks[RECORD].offset_s == -415.0
    assert "set by a reviewer" in words(app)


def test_of_two_settings_the_last_counts_and_both_stay_in_the_list(late):
    app = late.opened("clocks", "late")
    named(app.button, f"accept-{RECORD}").click().run()
    named(app.number_input, f"offset-{RECORD}").set_value(-400.0).run()
    named(app.text_input, f"why-{RECORD}").set_value("second look").run()
    named(app.button, f"set-{RECORD}").click().run()
    assert not app.error
    assert opened(late).case.clocks[RECORD].offset_s == -400.0
    assert {"undo-clock-1", "undo-clock-2"} <= names(app.button)
    named(app.button, "undo-clock-2").click().run()
    assert opened(late).case.clocks[RECORD].offset_s == late.lines("late")[0].body["offset_s"]


@pytest.mark.parametrize(("hours", "is_said"), [(1, True), (-1, True), (0, False)])
def test_an_offset_near_one_hour_is_pointed_out(place, tmp_path, hours, is_said):
    shelf = Shelf(place)
    shelf.bring(shifted(tmp_path / "hour", hours * 3600))
    app = shelf.opened("clocks", "hour")
    assert not app.exception
    warned = " ".join(one.value for one in app.warning)
    assert ("about one hour" in warned) is is_said
    assert ("daylight saving" in warned) is is_said
    if is_said:
        named(app.button, f"accept-{RECORD}").click().run()
        (line,) = shelf.lines("hour")
        assert line.body["offset_s"] == pytest.approx(-3600 * hours, abs=30)
        assert line.body["before"]["offset_s"] == 0
        assert not app.warning
        named(app.button, f"undo-clock-{line.number}").click().run()
        assert not app.exception
        assert "about one hour" in " ".join(one.value for one in app.warning)
    shelf.library.close()


def test_a_signed_case_takes_no_clock(late):
    late.library.sign(late.key("late"), {"measures": []}, who="tester", after=0)
    app = late.opened("clocks", "late")
    assert not app.exception
    assert "Nothing can be set: version 1 is signed" in words(app)
    assert not [button for button in app.button if (button.key or "").startswith(("accept", "set", "undo"))]


def test_a_clock_that_another_desk_set_meanwhile_is_seen_first(late):
    app = late.opened("clocks", "late")
    body = {"clock": RECORD, "offset_s": -300.0, "uncertainty_s": 5.0, "method": "by hand", "why": "told by phone"}
    late.library.write(late.key("late"), "clock", body, who="another desk", after=0)
    named(app.button, f"accept-{RECORD}").click().run()
    assert not app.exception
    assert "Not written: another desk wrote a clock set anew" in words(app)
    assert len(late.lines("late")) == 1
    assert "told by phone" in words(app)


def test_a_second_reader_comes_back_to_the_second_reading(late):
    from streamlit.testing.v1 import AppTest

    from tests.screens.acting import to_page

    app = AppTest.from_file(str(SAMPLES.parent / "app.py"), default_timeout=60).run()
    app.query_params["case"], app.query_params["reading"] = late.key("late"), "2"
    to_page(app, "clocks")
    assert not app.exception
    link = next(one for one in app.get("page_link") if one.label == "To the walkthrough")
    assert "reading=2" in link.proto.query_string


def test_one_clock_alone_has_nothing_to_line_up(shelf):
    app = shelf.opened("clocks", "rv-2031-0131")
    assert not app.exception
    assert "nothing to line up" in words(app)
    assert "quality improvement" in words(app)


@pytest.mark.parametrize("case", ["rv-2031-0107", "rv-2031-0112", "rv-2031-0118", "rv-2031-0125"])
def test_every_sample_case_of_several_clocks_opens(shelf, case):
    app = shelf.opened("clocks", case)
    assert not app.exception
    assert not app.error
    assert "quality improvement" in words(app)
