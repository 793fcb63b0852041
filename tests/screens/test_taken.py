"""Files taken out on screen: asked about at the click, by the person's standing then and while the case is there; logged before."""

import ast
from pathlib import Path

import pytest
import streamlit as st

from qi.desk import out
from qi.model.errors import NoSuchCase, NotAllowed
from qi.serving.given import Asked, Given
from tests.screens.test_roles import PEOPLE, claims, one_screen

CASE, EDF, SHARED = "rv-2031-0107", "Waveforms and events, EDF+", "The case, to be shared"
SCREENS = Path(__file__).parents[2] / "qi" / "screens"


@pytest.fixture
def buttons(monkeypatch):
    """What each download button of the last page would call at a click, by label."""
    found, shown = {}, st.download_button

    def button(label, data, *rest, **more):
        found[label] = data
        return shown(label, data, *rest, **more)

    monkeypatch.setattr(st, "download_button", button)
    return found


def listed(own, role):
    email, name, roles, crew = PEOPLE[role]
    own.library.people.add(email, name=name, roles=roles, crew_ids=crew, who="tests")


def opened(own, role, screen="walkthrough"):
    listed(own, role)
    app = one_screen(claims(role), screen, case=own.key(CASE))
    assert not app.exception


def exported(own):
    return [(line.who, line.case, line.what) for line in own.library.log_lines(did="exported")]


def test_whoever_takes_a_file_stands_in_the_log_before_they_have_it(own, buttons, monkeypatch):
    before = []
    monkeypatch.setattr(out, "edf", lambda *_, **__: before.append(exported(own)) or b"edf")
    opened(own, "medical_director")
    line = ("R. Adeyemi", own.key(CASE), "edf+, with identity")
    assert exported(own) == []
    assert buttons[EDF]() == b"edf"
    assert before == [[line]]
    assert buttons[EDF]() == b"edf"
    assert exported(own) == [line, line]


def test_the_one_person_of_an_app_stands_there_by_the_name_typed(own, buttons, monkeypatch):
    monkeypatch.setattr(out, "edf", lambda *_, **__: b"edf")
    assert not own.opened("walkthrough", CASE).exception
    assert buttons[EDF]() == b"edf"
    assert exported(own) == [("tester", own.key(CASE), "edf+, with identity")]


@pytest.mark.parametrize("then", [["crew"], ["reviewer"], []])
def test_a_role_taken_away_ends_at_the_click_on_a_page_that_stands_open(own, buttons, monkeypatch, then):
    for name in ("edf", "shareable"):
        monkeypatch.setattr(out, name, lambda *_, **__: b"made")
    opened(own, "medical_director")
    email, name, *_ = PEOPLE["medical_director"]
    own.library.people.end(email, who="tests")
    if then:
        own.library.people.add(email, name=name, roles=then, crew_ids=["C-9"] if then == ["crew"] else [], who="tests")
    with pytest.raises(NotAllowed, match="take cases out with identity"):
        buttons[EDF]()
    if then == ["reviewer"]:
        assert buttons[SHARED]() == b"made"
        assert [what for *_, what in exported(own)] == ["shared case, without identity"]
    else:
        with pytest.raises(NotAllowed):
            buttons[SHARED]()
        assert exported(own) == []
    assert own.library.log_lines(did="refused")[0].what == "download"


def test_a_deleted_case_is_taken_out_by_no_page_that_stands_open(own, buttons):
    opened(own, "medical_director")
    own.library.remove(own.key(CASE), who="tests")
    for given in buttons.values():
        with pytest.raises((NoSuchCase, NotAllowed)):
            given()
    assert buttons
    assert exported(own) == []


def test_every_button_says_what_its_file_is_for(own, buttons):
    opened(own, "medical_director")
    acts = {label: given.asked for label, given in buttons.items() if isinstance(given, Given)}
    assert acts.keys() == buttons.keys()
    assert {asked.case for asked in acts.values()} == {own.key(CASE)}
    assert acts[EDF] == Asked("export_identity", own.key(CASE))
    assert acts[SHARED].act == "export"
    assert {given.subject for given in buttons.values()} == {"sub-medical_director"}
    assert {asked.act for label, asked in acts.items() if label != SHARED} == {"export_identity"}


def test_no_screen_gives_a_file_but_by_what_asks_and_logs():
    for path in SCREENS.glob("*.py"):
        text = path.read_text(encoding="utf-8")
        calls = [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Call)]
        if any(getattr(call.func, "attr", "") == "download_button" for call in calls):
            assert "from qi.screens.taken import logged" in text, path.name
            assert any(getattr(call.func, "id", "") == "logged" for call in calls), path.name
