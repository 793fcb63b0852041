"""Corrections by form, by table and by pointing: what each writes, what the page then says, and what is refused."""

import shutil

import pytest

from qi.desk.correcting import things
from qi.desk.opened import clock_settings, open_case, review_of
from qi.library.library import Library
from qi.model.journal import FIRST, SECOND
from tests.screens.acting import choose, chosen, edit, name_in, named, names, pointing, to_page
from tests.screens.conftest import SAMPLES, Shelf, words

CASE = "rv-2031-0107"


def reviewed(shelf, case=CASE, **which):
    key = shelf.key(case)
    lines = shelf.library.lines(key)
    return review_of(open_case(shelf.library, key, clock_settings(lines)), lines, **which)


def measures(app):
    table = next(frame.value for frame in app.dataframe if "verdict" in frame.value.columns)
    return table.set_index("measure")


def journal(app):
    return named(app.dataframe, "journal").value


def write(shelf, kind="finding", *, who="another desk", case=CASE, **body):
    """What somebody else writes meanwhile."""
    key = shelf.key(case)
    shelf.library.write(key, kind, body or {"kind": "other", "text": "seen"}, who=who, after=len(shelf.library.lines(key)))


def test_a_moment_is_put_in_by_the_form(own, monkeypatch):
    pointing(monkeypatch, {"moment_s": 1230.0})
    app = own.opened("walkthrough", CASE)
    assert "Moment" in words(app)
    named(app.selectbox, "put-in-False").select("rosc").run()
    named(app.button, "write-put-in").click().run()
    assert not app.exception
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["subject"], line.body["start_s"]) == ("add", "rosc", 1230.0)
    assert "end_s" not in line.body
    assert reviewed(own).findings.arrest.first.end_s == pytest.approx(1230.0)
    assert "To correct something, click on it" in words(app), "the selection is let go after the write"


def test_a_selected_stretch_is_written_as_a_pause_and_the_machine_s_view_stays(own, monkeypatch):
    pointing(monkeypatch, {"stretch_s": (100.0, 115.0)})
    app = own.opened("walkthrough", CASE)
    found = words(app)
    named(app.selectbox, "value-pause-put-in").select("moving").run()
    named(app.button, "write-put-in").click().run()
    assert not app.exception
    (line,) = own.lines(CASE)
    assert (line.kind, line.who, line.reading) == ("correction", "tester", FIRST)
    assert line.when.tzinfo is not None
    body = line.body
    assert (body["action"], body["subject"], body["value"], body["why"]) == ("add", "pause", "moving", "seen on the waveform")
    assert (body["start_s"], body["end_s"], body["anchor"]) == (100.0, 115.0, "monitor.edf")
    longest = measures(app).loc["Longest pause"]
    assert longest["value"] == "15.0 s"
    assert longest["as found"].startswith("7.1 s")
    (told,) = [text for text in found.split(". ") if "longest pause" in text]
    assert told not in words(app)
    assert "15 s" in words(app)
    app.segmented_control(key="view").set_value("As found").run()
    assert not app.exception
    assert told in words(app)
    assert reviewed(own).of("longest_pause_s").value == pytest.approx(15.0, abs=0.01)
    assert reviewed(own, as_found=True).of("longest_pause_s").value < 10


def test_a_stretch_without_compressions_lowers_the_fraction_and_the_machine_s_stands_beside_it(own, monkeypatch):
    pointing(monkeypatch, {"stretch_s": (300.0, 360.0)})
    app = own.opened("walkthrough", CASE)
    before = measures(app).loc["Compression fraction", "value"]
    named(app.selectbox, "put-in-True").select("no compressions").run()
    named(app.button, "write-put-in").click().run()
    assert not app.exception
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["subject"]) == ("remove", "compression")
    assert line.body["before"]["count"] > 50
    row = measures(app).loc["Compression fraction"]
    assert float(row["value"].split()[0]) < float(before.split()[0])
    assert row["as found"] == before
    app.segmented_control(key="view").set_value("As found").run()
    assert measures(app).loc["Compression fraction", "value"] == before
    assert "as found" not in measures(app).columns


def test_another_reason_is_given_in_words_before_anything_is_written(own, monkeypatch):
    pointing(monkeypatch, {"stretch_s": (100.0, 115.0)})
    app = own.opened("walkthrough", CASE)
    named(app.selectbox, "why-put-in").select("another reason …").run()
    assert named(app.button, "write-put-in").disabled
    named(app.text_input, "reason-put-in").set_value("the crew stopped for the stairs").run()
    named(app.button, "write-put-in").click().run()
    assert own.lines(CASE)[0].body["why"] == "the crew stopped for the stairs"


def test_what_has_no_value_is_not_offered_another_one(own, monkeypatch):
    rosc = reviewed(own).case.events.query("type == 'rosc'").iloc[0]
    picked = {"subject": "rosc", "start_s": float(rosc["time_s"]), "end_s": None, "words": "ROSC", "person": False}
    pointing(monkeypatch, {"picked": picked})
    app = own.opened("walkthrough", CASE)
    assert named(app.selectbox, "way-rosc").options == ["taken out"]
    named(app.button, "write-change").click().run()
    assert not app.exception
    assert own.lines(CASE)[0].body["action"] == "remove"


def test_a_picked_thing_moves_to_the_moment_that_was_selected_before(own, monkeypatch):
    shock = float(reviewed(own).findings.shocks["time_s"].iloc[0])
    picked = {"subject": "shock", "start_s": shock, "end_s": None, "words": "shock 200 J", "person": False}
    pointing(monkeypatch, {"moment_s": shock + 7.0}, {"picked": picked})
    app = own.opened("walkthrough", CASE).run()
    way = named(app.selectbox, "way-shock")
    (move,) = [one for one in way.options if one.startswith("moved to ")]
    assert move.endswith("as selected")
    way.select("move").run()
    named(app.button, "write-change").click().run()
    assert not app.exception
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["to_start_s"]) == ("move", shock + 7.0)
    times = reviewed(own).findings.shocks["time_s"]
    assert (times - shock - 7.0).abs().min() < 0.01
    assert (times - shock).abs().min() > 5.0


def test_a_cause_is_given_to_a_picked_pause(own, monkeypatch):
    pause = reviewed(own).findings.pauses.sort_values("seconds").iloc[-1]
    picked = {"subject": "pause", "start_s": float(pause["start_s"]), "end_s": float(pause["end_s"]), "value": pause["cause"]}
    pointing(monkeypatch, {"picked": picked})
    app = own.opened("walkthrough", CASE)
    value = next(one for one in app.selectbox if one.label == "Cause")
    assert value.value == pause["cause"], "the cause that it has is the one that is chosen"
    value.select("access").run()
    named(app.button, "write-change").click().run()
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["value"], line.body["before"]["cause"]) == ("relabel", "access", pause["cause"])
    assert f"was {pause['cause'].replace('_', ' ')}" in journal(app)["what"].iloc[0]


def test_an_event_without_a_meaning_is_given_one(place, tmp_path, monkeypatch):
    case = tmp_path / "rv-2031-0131"
    shutil.copytree(SAMPLES / "rv-2031-0131", case)
    with (case / "events.csv").open("a", encoding="utf-8") as events:
        events.write("240.00,blue button,,,,\n")
    shelf = Shelf(place)
    shelf.bring(case)
    event = reviewed(shelf, case.name).case.events.query("type == 'unmapped'").iloc[0]
    pointing(monkeypatch, {"picked": {"subject": "unmapped", "start_s": float(event["time_s"]), "end_s": None}})
    app = shelf.opened("walkthrough", case.name)
    named(app.selectbox, "meaning").select("airway_placed").run()
    next(one for one in app.selectbox if one.label == "Which").select("tracheal_tube").run()
    named(app.button, "write-change").click().run()
    assert not app.exception
    (line,) = shelf.lines(case.name)
    assert (line.body["action"], line.body["type"], line.body["value"]) == ("relabel", "airway_placed", "tracheal_tube")
    told = reviewed(shelf, case.name).case.events
    placed = told[(told["time_s"] - event["time_s"]).abs() < 0.01]
    assert (placed["type"].iloc[0], placed["value"].iloc[0]) == ("airway_placed", "tracheal_tube")
    shelf.library.close()


@pytest.mark.parametrize(
    "asked",
    [
        {"act": "add", "subject": "pause", "start_s": 100.0, "end_s": 115.0, "why": "told by the crew"},
        {"act": "add", "subject": "compression", "start_s": 60.0, "end_s": None},
        {"act": "add", "subject": "shock", "start_s": 400.0, "end_s": None},
        {"act": "move", "subject": "pause", "start_s": 100.0, "end_s": 104.0, "to_start_s": 101.0, "to_end_s": 109.0},
        {"act": "move", "subject": "arrest", "start_s": 24.0, "end_s": 1220.0, "to_start_s": 20.0, "to_end_s": 1220.0},
    ],
    ids=lambda asked: f"{asked['act']} {asked['subject']}",
)
def test_what_is_asked_by_key_or_dragging_is_written_at_once(own, monkeypatch, asked):
    pointing(monkeypatch, {"edit": {**asked, "serial": 1}})
    app = own.opened("walkthrough", CASE)
    assert not app.exception
    assert not app.error
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["subject"], line.who, line.reading) == (asked["act"], asked["subject"], "tester", FIRST)
    assert line.body["why"] == asked.get("why", "seen on the waveform")
    for name in ("start_s", "end_s", "to_start_s", "to_end_s"):
        assert line.body.get(name) == asked.get(name)


def test_an_undone_line_is_brought_back_from_the_journal(own, monkeypatch):
    pointing(monkeypatch, {"edit": {"act": "add", "subject": "pause", "start_s": 100.0, "end_s": 115.0, "serial": 1}})
    app = own.opened("walkthrough", CASE)
    named(app.button, "undo").click().run()
    assert journal(app)["what"].tolist()[0] == "line 1 undone"
    assert journal(app)[""].tolist() == ["", "undone"]
    assert reviewed(own).findings.pauses.equals(reviewed(own, as_found=True).findings.pauses)
    app.session_state[named(app.dataframe, "journal").key] = chosen([1])
    app.run()
    assert named(app.button, "undo").label == "Bring back line 1"
    named(app.button, "undo").click().run()
    assert not app.exception
    assert journal(app)["what"].tolist()[0] == "line 1 brought back"
    assert journal(app)[""].tolist() == ["", "undone", ""]
    assert reviewed(own).of("longest_pause_s").value == pytest.approx(15.0, abs=0.01)
    assert [line.kind for line in own.lines(CASE)] == ["correction", "undo", "undo"]


def test_an_artefact_taken_back_undoes_the_line_that_said_so(own, monkeypatch):
    pointing(monkeypatch, {"edit": {"act": "add", "subject": "artefact", "start_s": 300.0, "end_s": 320.0, "serial": 1}})
    own.opened("walkthrough", CASE)
    gone = {"act": "remove", "subject": "artefact", "start_s": 300.0, "end_s": 320.0, "number": 1, "serial": 2}
    pointing(monkeypatch, {"edit": gone})
    app = own.opened("walkthrough", CASE)
    assert not app.exception
    assert [(one.kind, one.body.get("undoes")) for one in own.lines(CASE)] == [("correction", None), ("undo", 1)]


def test_a_row_chosen_in_the_table_of_everything_can_be_corrected(own):
    app = own.opened("walkthrough", CASE)
    table = things(reviewed(own))
    row = table[table["subject"] == "drug"].iloc[0]
    app = choose(app, named(app.dataframe, "things-0.1").key, int(row.name))
    assert not app.exception
    assert app.query_params["t"] in (f"{row['start_s']:.1f}", [f"{row['start_s']:.1f}"])
    named(app.selectbox, "way-drug").select("taken out").run()
    named(app.button, "write-change").click().run()
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["subject"], line.body["before"]["value"]) == ("remove", "drug", row["value"])
    drugs = [(review.case.events["type"] == "drug").sum() for review in (reviewed(own), reviewed(own, as_found=True))]
    assert drugs[0] == drugs[1] - 1


def test_a_row_no_longer_chosen_is_no_longer_picked(own):
    app = own.opened("walkthrough", CASE)
    key = named(app.dataframe, "things-0.1").key
    app = choose(app, key, 3)
    row = things(reviewed(own)).iloc[3]
    picked = app.session_state["picked"]
    assert (picked["subject"], picked["start_s"]) == (row["subject"], row["start_s"])
    app = choose(app, key)
    assert "picked" not in app.session_state


def pauses_key(app):
    return next(one.key for one in app.data_editor if "cause" in one.value.columns)


def test_a_cause_changed_in_the_table_of_pauses_is_written_with_what_it_was(own):
    app = own.opened("walkthrough", CASE)
    table = next(one for one in app.data_editor if "cause" in one.value.columns).value
    app = edit(app, pauses_key(app), {"1": {"cause": "moving"}, "2": {}})
    assert not app.exception
    (line,) = own.lines(CASE)
    assert (line.body["action"], line.body["subject"], line.body["value"]) == ("relabel", "pause", "moving")
    assert line.body["before"]["cause"] == table["cause"].iloc[1].replace(" ", "_")
    shown = next(one for one in app.data_editor if "cause" in one.value.columns).value
    assert (shown["cause"].iloc[1], shown["told by"].iloc[1]) == ("moving", "a reviewer")
    assert shown["seconds"].tolist() == table["seconds"].tolist()


def test_a_cause_that_is_refused_is_said_and_does_not_stay_in_the_table(own):
    app = own.opened("walkthrough", CASE)
    write(own)
    key = pauses_key(app)
    app = edit(app, key, {"0": {"cause": "moving"}})
    assert not app.exception
    assert "Not written: another desk wrote a finding" in words(app)
    assert [line.kind for line in own.lines(CASE)] == ["finding"]
    assert pauses_key(app) != key, "a table anew, without the change"
    app = edit(app, pauses_key(app), {"0": {"cause": "moving"}})
    assert [line.kind for line in own.lines(CASE)] == ["finding", "correction"]
    assert not app.error


def test_what_another_desk_wrote_since_the_page_was_shown_is_seen_before_anything_is_written_on_it(own, monkeypatch):
    pointing(monkeypatch, {"stretch_s": (100.0, 115.0)})
    app = own.opened("walkthrough", CASE)
    write(own)
    named(app.button, "write-put-in").click().run()
    assert "Not written: another desk wrote a finding (line 1" in words(app)
    assert "look again" in words(app)
    assert [line.kind for line in own.lines(CASE)] == ["finding"]
    named(app.button, "write-put-in").click().run()
    assert not app.error
    assert [line.kind for line in own.lines(CASE)] == ["finding", "correction"]


def test_a_line_that_comes_between_reading_and_writing_is_not_written_over(own, monkeypatch):
    """The page reads the journal before the other desk writes and writes after it: the library itself refuses."""
    pointing(monkeypatch, {"stretch_s": (100.0, 115.0)})
    app = own.opened("walkthrough", CASE)
    read = Library.lines
    write(own)
    monkeypatch.setattr(Library, "lines", lambda shelf, key: [line for line in read(shelf, key) if line.who != "another desk"])
    named(app.button, "write-put-in").click().run()
    monkeypatch.setattr(Library, "lines", read)
    assert not app.exception
    assert "Not written" in words(app)
    assert "another desk" in words(app)
    assert [line.kind for line in own.lines(CASE)] == ["finding"]


def test_two_corrections_of_one_person_right_after_each_other_are_both_written(own, monkeypatch):
    edits = [{"act": "add", "subject": "shock", "start_s": 400.0 + 60 * i, "end_s": None, "serial": i} for i in range(3)]
    pointing(monkeypatch, *({"edit": one} for one in edits))
    app = own.opened("walkthrough", CASE)
    assert not app.error
    assert [line.body["start_s"] for line in own.lines(CASE)] == [400.0, 460.0, 520.0]


def test_a_signature_that_comes_between_locks_the_form(own, monkeypatch):
    pointing(monkeypatch, {"stretch_s": (100.0, 115.0)})
    app = own.opened("walkthrough", CASE)
    key = own.key(CASE)
    own.library.sign(key, {"measures": []}, who="another desk", after=0)
    edit(app, pauses_key(app), {"0": {"cause": "moving"}})
    assert [line.kind for line in own.lines(CASE)] == ["signed"]
    pointing(monkeypatch, {"edit": {"act": "add", "subject": "rosc", "start_s": 900.0, "end_s": None, "serial": 1}})
    app = own.opened("walkthrough", CASE)
    assert [line.kind for line in own.lines(CASE)] == ["signed"]
    assert "Nothing can be corrected: version 1 is signed" in words(app)
    assert not names(app.button) & {"write-put-in", "write-change", "undo", "sign", "exclude"}
    assert "Write the finding" not in [button.label for button in app.button]


def test_a_second_reader_sees_neither_corrections_nor_numbers_of_the_first(own, monkeypatch):
    write(own, "correction", action="add", subject="pause", start_s=100.0, end_s=130.0, why="seen")
    app = own.opened("walkthrough", CASE)
    named(app.button, "sign").click().run()
    assert "30 s" in words(app)
    assert [one for one in app.dataframe if "signed by" in one.value.columns]
    monkeypatch.setenv("QI_REVIEWER", "second reader")
    second = own.opened("walkthrough", CASE, reading="2")
    assert not second.exception
    assert "second reading" in words(second).lower()
    assert "Nothing has been corrected" in words(second)
    assert "30 s" not in words(second)
    assert "as found" not in measures(second).columns
    assert not [one for one in second.dataframe if "signed by" in one.value.columns or name_in(one) == "journal"]
    assert not [one for one in second.dataframe if "30.0" in one.value.to_string()]
    pointing(monkeypatch, {"edit": {"act": "add", "subject": "pause", "start_s": 700.0, "end_s": 720.0, "serial": 1}})
    second = own.opened("walkthrough", CASE, reading="2")
    line = own.lines(CASE)[-1]
    assert (line.reading, line.who) == (SECOND, "second reader")
    assert "20 s" in words(second)
    assert reviewed(own).of("longest_pause_s").value == pytest.approx(30.0, abs=0.01), "the first reading stays as it was"
    named(second.button, "sign-second").click().run()
    assert not second.exception
    line = own.lines(CASE)[-1]
    assert (line.kind, line.reading, line.who) == ("second_signed", SECOND, "second reader")
    assert (line.body["agreement"]["pauses_of_one"]) > 0


def test_who_read_first_in_another_spelling_is_not_offered_the_second_signature(own, monkeypatch):
    write(own, "correction", who="A. Reader", action="add", subject="pause", start_s=100.0, end_s=130.0, why="seen")
    own.library.sign(own.key(CASE), {"measures": []}, who="The Director", after=1)
    monkeypatch.setenv("QI_REVIEWER", "a. reader")
    app = own.opened("walkthrough", CASE, reading="2")
    assert "cannot be the second one" in words(app)
    assert "sign-second" not in names(app.button)


def test_agreement_waits_until_both_have_signed_whoever_is_first(own, monkeypatch):
    key = own.key(CASE)
    write(own, "correction", who="tester", action="add", subject="pause", start_s=100.0, end_s=130.0, why="seen")
    monkeypatch.setenv("QI_REVIEWER", "second reader")
    app = own.opened("walkthrough", CASE, reading="2")
    named(app.button, "sign-second").click().run()
    assert not app.error
    assert "is shown once the first is signed" in words(app)
    assert own.library.about(key).agreement is None
    monkeypatch.setenv("QI_REVIEWER", "tester")
    app = own.opened("walkthrough", CASE)
    named(app.button, "sign").click().run()
    assert not app.error
    assert "How far the two readings agree: what the pauses were for" in words(app)
    assert own.library.about(key).agreement["pauses_of_one"] == 1
    signed = own.library.versions(key)
    assert [(one.reading, one.signed_by) for one in signed] == [(SECOND, "second reader"), (FIRST, "tester")]
    longest = [
        next(kept["value"] for kept in one.record["measures"] if kept["id"] == "longest_pause_s" and "of" not in kept)
        for one in signed
    ]
    assert longest[0] < 10.0
    assert longest[1] == pytest.approx(30.0, abs=0.01)


def test_the_reviewer_s_name_goes_along_from_page_to_page(shelf):
    from streamlit.testing.v1 import AppTest

    app = AppTest.from_file(str(SAMPLES.parent / "app.py"), default_timeout=60).run()
    app.text_input(key="who").set_value("A. Reader").run()
    for page in ("walkthrough", "clocks", "bring-in", "walkthrough"):
        to_page(app, page)
        assert app.text_input(key="who").value == "A. Reader"
    assert named(app.button, "sign").label == "Sign version 1 as A. Reader"
    app.text_input(key="who").set_value("").run()
    assert named(app.button, "sign").label == "Sign version 1 as tester"


def test_another_case_chosen_is_the_first_reading_of_it(shelf, monkeypatch):
    app = shelf.opened("walkthrough", CASE, reading="2", t="100.0")
    assert app.query_params["reading"] in ("2", ["2"])
    app.selectbox(key="case-choice").set_value(shelf.key("rv-2031-0131")).run()
    assert not app.exception
    assert "reading" not in app.query_params
    assert "t" not in app.query_params
