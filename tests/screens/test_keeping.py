"""What is kept, on screen: a case deleted once its number is typed, the log shown and verified, a library that others can read."""

import pytest
from streamlit.testing.v1 import AppTest

from qi.desk import cohort as table
from qi.library import at_rest
from qi.model.cautions import SHORT
from qi.model.errors import NoSuchCase
from qi.screens.log_page import as_csv
from qi.trends import cohort
from tests.screens.acting import named
from tests.screens.conftest import words

CASE = "rv-2031-0107"
DELETING = """
from qi.screens import deleting, on_desk
import streamlit as st
key = st.query_params["case"]
if key in on_desk.library().keys():
    deleting.show(on_desk.on_desk(key))
"""


def deleting(own):
    app = AppTest.from_string(DELETING, default_timeout=60)
    app.query_params["case"] = own.key(CASE)
    return app.run()


def test_a_case_is_not_deleted_before_its_number_is_typed(own):
    key = own.key(CASE)
    app = deleting(own)
    assert not app.exception
    assert named(app.button, "delete").disabled
    named(app.text_input, "delete-confirmed").set_value("rv-2031-0108").run()
    assert named(app.button, "delete").disabled
    assert own.library.keys() == [key]
    said = words(app)
    assert "It cannot be undone" in said
    assert "Its row among all cases stays" in said


def test_the_review_is_deleted_and_the_measures_stay(own):
    key = own.key(CASE)
    app = deleting(own)
    named(app.text_input, "delete-confirmed").set_value(CASE).run()
    named(app.button, "delete").click().run()
    assert not app.exception
    assert not app.error
    assert own.library.keys() == []
    assert cohort.read(table.folder(own.library), ["case_id"])["case_id"].tolist() == [key]
    line = own.library.log_lines()[0]
    assert (line.who, line.did, line.case, line.what) == ("tester", "deleted", key, "review, measures kept")


def test_all_of_a_case_is_deleted(own):
    key = own.key(CASE)
    list(table.build(own.library))
    app = deleting(own)
    named(app.radio, "delete-what").set_value("all").run()
    assert "its row among all cases with them" in " ".join(words(app).split())
    named(app.text_input, "delete-confirmed").set_value(CASE).run()
    named(app.button, "delete").click().run()
    assert not app.exception
    with pytest.raises(NoSuchCase):
        own.library.about(key)
    assert cohort.read(table.folder(own.library), ["key"]).empty
    assert list((own.folder / "cases").iterdir()) == []


def test_a_case_that_is_opened_is_logged_once_a_session(own):
    app = own.opened("walkthrough", CASE)
    app.run()
    assert not app.exception
    assert own.library.log_count(did="opened") == 1
    own.opened("walkthrough", CASE)
    opened = own.library.log_lines(did="opened")
    assert [(line.who, line.case, line.what) for line in opened] == [("tester", own.key(CASE), "")] * 2
    own.opened("walkthrough", CASE, reading="2")
    assert own.library.log_lines()[0].what == "second reading"


def test_the_log_is_shown_filtered_and_verified(own):
    own.library.log("opened", who="R. Adeyemi", case=own.key(CASE))
    app = own.opened("log_page")
    assert not app.exception
    assert SHORT in words(app)
    shown = app.dataframe[0].value
    assert list(shown["did"]) == ["opened", "brought in"]
    assert list(shown.columns) == ["number", "at", "who", "did", "case", "what"]
    app.selectbox(key="log-who").set_value("R. Adeyemi").run()
    assert list(app.dataframe[0].value["number"]) == [2]
    app.selectbox(key="log-did").set_value("deleted").run()
    assert len(app.dataframe) == 0
    assert "No line fits." in words(app)
    head = own.library.log_head()[1]
    app.button(key="log-verify").click().run()
    assert [one.value for one in app.success] == ["All 2 lines are as they were written."]
    assert [one.value for one in app.code] == [head]
    assert own.library.log_lines()[0].what == "whole"


def test_a_broken_log_is_said(own):
    own.library.log("opened", who="R. Adeyemi")
    with own.library.database.writing() as connection:
        connection.exec_driver_sql("DROP TRIGGER log_unchanged")
        connection.exec_driver_sql("UPDATE log SET who = 'nobody' WHERE number = 2")
    app = own.opened("log_page")
    app.button(key="log-verify").click().run()
    assert "Line 2 is not as it was written" in app.error[0].value
    assert not app.success
    assert own.library.log_lines()[0].what == "broken"


def test_the_log_as_a_file_never_runs_in_a_spreadsheet_and_carries_the_caution(own):
    own.library.log("opened", who="=HYPERLINK(1)")
    text = as_csv(own.library.log_lines())
    assert text.startswith(f"# {SHORT}")
    assert ",'=HYPERLINK(1)," in text
    assert own.library.log_head()[1] in text


def test_a_library_that_others_can_read_is_said(own, monkeypatch):
    app = own.opened("at_rest")
    assert not app.exception
    assert not app.warning
    monkeypatch.setattr(at_rest, "warnings", lambda *_: ["The library's folder can be opened by others"])
    app.run()
    assert [one.value for one in app.warning] == ["The library's folder can be opened by others"]
