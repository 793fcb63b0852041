"""Correcting on screen: what a person points at becomes a line of the journal, and the page follows."""

import pytest

from qi.desk.opened import clock_settings, corrections, open_case, review_of
from qi.model.journal import FIRST, SECOND
from qi.screens import waveform
from tests.screens.conftest import words

CASE = "rv-2031-0107"


def pointing(monkeypatch, **choice):
    """Let the close-up tell this choice once, and nothing after."""
    told = iter([waveform.Choice(**choice)])
    monkeypatch.setattr(waveform, "show_close_up", lambda *_, **__: next(told, waveform.Choice()))


def reviewed(own):
    key = own.key(CASE)
    lines = own.library.lines(key)
    opened = open_case(own.library, key, clock_settings(lines))
    return review_of(opened, lines), review_of(opened, lines, as_found=True)


def test_a_selected_stretch_is_written_as_a_pause_with_who_when_why_and_what_was_there(own, monkeypatch):
    pointing(monkeypatch, stretch_s=(100.0, 115.0))
    app = own.opened("walkthrough", CASE)
    before = words(app)
    app.selectbox(key="value-pause-put-in").select("moving").run()
    app.button(key="write-put-in").click().run()
    assert not app.exception
    (line,) = own.lines(CASE)
    assert (line.kind, line.who, line.reading) == ("correction", "tester", FIRST)
    assert line.when.tzinfo is not None
    body = line.body
    assert (body["action"], body["subject"], body["value"], body["why"]) == ("add", "pause", "moving", "seen on the waveform")
    assert (body["start_s"], body["end_s"], body["anchor"]) == (100.0, 115.0, "monitor.edf")
    assert "longest pause was 15 s (moving)" in words(app) or "15 s" in words(app)
    assert words(app) != before
    now, found = reviewed(own)
    assert now.of("longest_pause_s").value == pytest.approx(15.0, abs=0.01)
    assert found.of("longest_pause_s").value < 10


def test_as_found_shows_the_machine_and_as_reviewed_the_person(own, monkeypatch):
    pointing(monkeypatch, stretch_s=(100.0, 115.0))
    app = own.opened("walkthrough", CASE)
    found = words(app)
    app.button(key="write-put-in").click().run()
    assert "15 s" in words(app)
    table = next(frame.value for frame in app.dataframe if "verdict" in frame.value.columns)
    longest = table[table["measure"] == "Longest pause"].iloc[0]
    assert longest["value"] == "15.0 s"
    assert longest["as found"].startswith("7.1 s")
    app.segmented_control(key="view").set_value("As found").run()
    sentence = next(text for text in found.split(". ") if "longest pause" in text)
    assert sentence in words(app)
    assert not app.exception


def test_keys_act_at_once_and_undo_takes_it_back(own, monkeypatch):
    pointing(monkeypatch, edit={"act": "add", "subject": "shock", "start_s": 900.0, "end_s": None, "serial": 1})
    app = own.opened("walkthrough", CASE)
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["subject"], line.body["why"]) == ("add", "shock", "seen on the waveform")
    assert not app.exception
    now, found = reviewed(own)
    assert len(now.findings.shocks) == len(found.findings.shocks) + 1
    app.button(key="undo").click().run()
    assert [one.kind for one in own.lines(CASE)] == ["correction", "undo"]
    now, found = reviewed(own)
    assert now.findings.shocks.equals(found.findings.shocks)


def test_what_is_picked_can_be_given_another_value_or_taken_out(own, monkeypatch):
    shock = reviewed(own)[0].findings.shocks.iloc[0]
    picked = {"subject": "shock", "start_s": float(shock["time_s"]), "end_s": None, "words": "shock 200 J", "person": False}
    pointing(monkeypatch, picked=picked)
    app = own.opened("walkthrough", CASE)
    app.selectbox(key="way-shock").select("taken out").run()
    app.button(key="write-change").click().run()
    assert not app.exception
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["subject"]) == ("remove", "shock")
    assert line.body["before"]["type"] == "shock"
    now, found = reviewed(own)
    assert len(now.findings.shocks) == len(found.findings.shocks) - 1


def test_an_artefact_taken_back_undoes_the_line_that_said_so(own, monkeypatch):
    pointing(monkeypatch, edit={"act": "add", "subject": "artefact", "start_s": 300.0, "end_s": 320.0, "serial": 1})
    own.opened("walkthrough", CASE)
    gone = {"act": "remove", "subject": "artefact", "start_s": 300.0, "end_s": 320.0, "number": 1, "serial": 2}
    pointing(monkeypatch, edit=gone)
    app = own.opened("walkthrough", CASE)
    assert not app.exception
    assert [(one.kind, one.body.get("undoes")) for one in own.lines(CASE)] == [("correction", None), ("undo", 1)]


def test_a_cause_changed_in_the_table_of_pauses_is_a_correction(own, monkeypatch):
    from qi.screens import on_desk, time_went

    key = own.key(CASE)
    now = reviewed(own)[0]
    listed = now.findings.pauses.sort_values("seconds", ascending=False)
    monkeypatch.setattr(time_went.st, "session_state", {"edit": {"edited_rows": {"0": {"cause": "moving"}, "2": {}}}})
    desk = on_desk.OnDesk(own.library, own.library.about(key), (), FIRST, open_case(own.library, key))
    time_went._changed(desk, now, listed, "edit")
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["subject"], line.body["value"]) == ("relabel", "pause", "moving")
    assert line.body["before"]["cause"] == listed["cause"].iloc[0]
    row = reviewed(own)[0].findings.pauses.sort_values("seconds", ascending=False).iloc[0]
    assert (row["cause"], row["cause_by"]) == ("moving", "reviewer")


def test_a_stale_write_is_refused_and_shown_and_nothing_is_lost(own, monkeypatch):
    """Another reviewer writes between what this one saw and what this one writes."""
    pointing(monkeypatch, stretch_s=(100.0, 115.0))
    app = own.opened("walkthrough", CASE)
    key, real = own.key(CASE), own.library.lines(own.key(CASE))
    from qi.library.library import Library

    stale = Library.lines

    def seen_before(self, asked):
        found = stale(self, asked)
        return found[: len(real)] if asked == key else found

    own.library.write(key, "finding", {"kind": "other", "text": "from another desk"}, who="second desk", after=0)
    monkeypatch.setattr(Library, "lines", seen_before)
    app.button(key="write-put-in").click().run()
    monkeypatch.setattr(Library, "lines", stale)
    assert not app.exception
    assert "Not written" in words(app)
    assert "second desk" in words(app)
    assert [line.kind for line in own.lines(CASE)] == ["finding"]


def test_a_signed_case_takes_no_correction_and_reopened_it_does(own, monkeypatch):
    app = own.opened("walkthrough", CASE)
    app.button(key="sign").click().run()
    assert not app.exception
    assert own.library.about(own.key(CASE)).status == "signed"
    (version,) = own.library.versions(own.key(CASE))
    kept = {one["id"]: one["value"] for one in version.record["measures"] if "of" not in one}
    assert kept["longest_pause_s"] == pytest.approx(reviewed(own)[0].of("longest_pause_s").value, abs=1e-5)
    pointing(monkeypatch, edit={"act": "add", "subject": "rosc", "start_s": 900.0, "end_s": None, "serial": 1})
    app = own.opened("walkthrough", CASE)
    assert "version 1 is signed" in words(app)
    assert [line.kind for line in own.lines(CASE)] == ["signed"]
    app.text_input(key="why-reopen").set_value("the crew brought their notes").run()
    app.button(key="reopen").click().run()
    assert not app.exception
    assert "version 2 open" in words(app) or own.library.about(own.key(CASE)).version == 2


def test_findings_are_tied_to_moments_and_can_be_withdrawn(own):
    app = own.opened("walkthrough", CASE, t="130.0")
    app.text_area[0].set_value("Charged while compressions went on")
    form = next(button for button in app.button if button.label == "Write the finding")
    form.click().run()
    assert not app.exception
    (line,) = own.lines(CASE)
    assert line.kind == "finding"
    assert line.body["text"] == "Charged while compressions went on"
    assert line.body["start_s"] == pytest.approx(130.0)
    assert "Went well" in words(app)
    app.button(key="withdraw-1").click().run()
    assert [one.kind for one in own.lines(CASE)] == ["finding", "finding_withdrawn"]
    assert "No finding has been written yet" in words(app)


def test_an_excluded_case_keeps_its_reason_and_is_counted(own):
    app = own.opened("walkthrough", CASE)
    app.selectbox(key="exclusion").select("dnr").run()
    app.button(key="exclude").click().run()
    assert not app.exception
    assert own.library.about(own.key(CASE)).excluded == "dnr"
    listed = own.opened("worklist")
    assert "1 excluded" in words(listed)
    assert not listed.exception


def test_the_second_reader_sees_nothing_of_the_first_and_agreement_is_shown_in_the_end(own, monkeypatch):
    key = own.key(CASE)
    pointing(monkeypatch, edit={"act": "add", "subject": "rosc", "start_s": 600.0, "end_s": None, "serial": 1})
    own.opened("walkthrough", CASE)
    own.library.sign(key, {"measures": []}, who="tester", after=own.library.about(key).last_line)
    monkeypatch.setenv("QI_REVIEWER", "second reader")
    app = own.opened("walkthrough", CASE, reading="2")
    assert not app.exception
    assert "second reading" in words(app).lower()
    assert "Nothing has been corrected" in words(app)
    app.button(key="sign-second").click().run()
    assert not app.exception
    line = own.lines(CASE)[-1]
    assert (line.kind, line.reading, line.who) == ("second_signed", SECOND, "second reader")
    _, only_first, only_second = line.body["agreement"]["marks"]["rosc"]
    assert (only_first, only_second) == (1, 0)
    listed = own.opened("worklist")
    assert "read by a second reader" in words(listed)


def test_the_first_reader_cannot_be_the_second(own):
    key = own.key(CASE)
    own.library.sign(key, {"measures": []}, who="tester", after=0)
    app = own.opened("walkthrough", CASE, reading="2")
    assert "cannot be the second" in words(app)
    assert not [button for button in app.button if button.key == "sign-second"]


def test_corrections_move_with_their_file_when_the_axis_does(own, tmp_path):
    """A first responder's monitor comes in later and began 60 s earlier: the pause stays where it was on the waveform."""
    key = own.key(CASE)
    now = reviewed(own)[0]
    from qi.desk.correcting import correction

    made = correction(now, "add", "pause", 100.0, 115.0, why="seen", value="moving")
    own.library.write(key, "correction", made.record(), who="tester", after=0)
    lines = own.library.lines(key)
    opened = open_case(own.library, key)
    from dataclasses import replace

    later = replace(
        opened.case, sources=tuple(replace(one, start_s=one.start_s + 60, end_s=one.end_s + 60) for one in opened.case.sources)
    )
    (moved,) = corrections(replace(opened, case=later), lines)
    assert moved.span == (160.0, 175.0)


def test_a_row_chosen_in_the_table_of_everything_can_be_corrected(own):
    from qi.desk.correcting import things

    app = own.opened("walkthrough", CASE)
    table = things(reviewed(own)[0])
    at = int(table.index[table["subject"] == "drug"][0])
    key = f"things-{own.key(CASE)}-0.1"
    app.session_state["picked"] = None
    app.session_state[key] = {"selection": {"rows": [at], "columns": [], "cells": []}}
    app.session_state["pointed-in"] = own.key(CASE)
    row = table.iloc[at]
    app.session_state["picked"] = {
        "subject": "drug",
        "start_s": row["start_s"],
        "end_s": None,
        "value": row["value"],
        "person": False,
    }
    app.run()
    assert not app.exception
    app.selectbox(key="way-drug").select("taken out").run()
    app.button(key="write-change").click().run()
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["subject"], line.body["before"]["value"]) == ("remove", "drug", row["value"])
    now, found = reviewed(own)
    assert (now.case.events["type"] == "drug").sum() == (found.case.events["type"] == "drug").sum() - 1


def test_picking_in_the_table_is_picking_on_the_waveform(own, monkeypatch):
    from qi.desk.correcting import things
    from qi.screens import events_table

    table = things(reviewed(own)[0])
    state = {"key": {"selection": {"rows": [3]}}}
    monkeypatch.setattr(events_table.st, "session_state", state)
    monkeypatch.setattr(events_table.st, "query_params", {})
    events_table.pick(table, "key")
    assert state["picked"]["subject"] == table["subject"].iloc[3]
    assert state["picked"]["start_s"] == table["start_s"].iloc[3]
    state["key"]["selection"]["rows"] = []
    events_table.pick(table, "key")
    assert "picked" not in state
