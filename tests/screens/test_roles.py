"""Every page and every case as each role and as nobody: a page that is not listed is not a permission, nor is an address."""

import ast
import json
import shutil
import time
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from qi.library.library import Library
from qi.model.people import MAY, ROLES, Person, may
from qi.serving import signed_in, standing
from tests.screens.acting import to_page
from tests.screens.conftest import SAMPLES, words

ROOT = Path(__file__).parents[2]
SECRET = "a secret of tests, longer than thirty-two"
AUTH = {
    "redirect_uri": "http://127.0.0.1:8501/oauth2callback",
    "cookie_secret": SECRET,
    "client_id": "tests",
    "client_secret": "tests",
    "server_metadata_url": "http://127.0.0.1:9/.well-known/openid-configuration",
}
PEOPLE = {
    "reviewer": ("m.ortiz@example.org", "M. Ortiz", ["reviewer"], []),
    "medical_director": ("r.adeyemi@example.org", "R. Adeyemi", ["medical_director"], []),
    "crew": ("j.weller@example.org", "J. Weller", ["crew"], ["C-17"]),
    "administrator": ("k.lindqvist@example.org", "K. Lindqvist", ["administrator"], []),
}


def named_pages():
    """Name and act of every page that app.py lists."""
    calls = [node for node in ast.walk(ast.parse((ROOT / "app.py").read_text(encoding="utf-8"))) if isinstance(node, ast.Call)]
    named = [call for call in calls if getattr(call.func, "attr", "") == "Named"]
    return [(call.args[0].value, call.args[4].value) for call in named]


PAGES = named_pages()


def claims(role, **more):
    """What the provider says of the person of a role."""
    email, name, *_ = PEOPLE[role]
    return {
        "is_logged_in": True,
        "sub": f"sub-{role}",
        "email": email,
        "name": name,
        "iat": int(time.time()),
        "email_verified": True,
        **more,
    }


@pytest.fixture
def listed(full, place, monkeypatch):
    """The library with the sample cases, and a person of each role on its list."""
    monkeypatch.setenv("QI_LIBRARY", str(full.folder))
    if not full.library.people.all():
        for subject, name, roles, crew in PEOPLE.values():
            full.library.people.add(subject, name=name, roles=roles, crew_ids=crew, who="tests")
    return full


def app(user, script=None, **query):
    """The app, or one screen of it alone, as this user opens it where sign-in is set up."""
    opened = AppTest.from_file(str(ROOT / "app.py"), default_timeout=60) if script is None else AppTest.from_string(script)
    opened.default_timeout = 60
    opened.secrets["auth"] = dict(AUTH)
    opened.user = dict(user)
    for name, value in query.items():
        opened.query_params[name] = value
    return opened


def one_screen(user, screen, **query):
    return app(user, f"from qi.screens import {screen}\n{screen}.show()\n", **query).run()


def person(role):
    return Person(role, roles=frozenset({role}))


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize(("name", "act"), PAGES, ids=[name for name, _ in PAGES])
def test_each_page_as_each_role(listed, role, name, act):
    opened = to_page(app(claims(role)).run(), name) if (name, act) != PAGES[0] else app(claims(role)).run()
    refused = "Not for this account" in words(opened)
    assert not opened.exception
    if (name, act) == PAGES[0] and not may(person(role), act):
        assert [header.value for header in opened.header] != ["Worklist"]  # their own first page instead
        return
    assert refused != may(person(role), act)
    assert "quality improvement only" in words(opened) or not refused


@pytest.mark.parametrize("name", [name for name, _ in PAGES])
@pytest.mark.parametrize("user", [{"is_logged_in": False}, {}, {"email": "m.ortiz@example.org", "name": "M. Ortiz", "iat": 9e9}])
def test_each_page_as_nobody(listed, user, name):
    opened = app(user).run() if name == PAGES[0][0] else to_page(app(user).run(), name)
    assert not opened.exception
    assert [header.value for header in opened.header] == ["Arrest review"]
    assert [button.label for button in opened.button] == ["Sign in"]
    assert not opened.dataframe


OTHER_ACTS = {  # of the screens that are not about any case
    "bring_in": "bring_in",
    "protocol_page": "see_protocol",
    "over_time": "see_trends",
    "for_the_crew": "send_feedback",
    "my_sheets": "read_own_sheets",
    "conference": "teach",
    "log_page": "read_log",
    "people": "manage_people",
}


@pytest.mark.parametrize("role", [*ROLES, None])
@pytest.mark.parametrize("screen", ["worklist", "walkthrough", "clocks", *OTHER_ACTS])
def test_a_screen_guards_itself_where_no_list_of_pages_does(listed, screen, role):
    act = OTHER_ACTS.get(screen, "see_cases")
    opened = one_screen(claims(role) if role else {"is_logged_in": False}, screen)
    assert not opened.exception
    assert ("Not for this account" in words(opened)) == (role is None or not may(person(role), act))


@pytest.mark.parametrize("role", [*ROLES, None])
def test_each_case_as_each_role(listed, role):
    for entry in listed.library.entries():
        opened = one_screen(claims(role) if role else {}, "walkthrough", case=entry.key)
        seen = entry.case_id in words(opened) + " ".join(one.value for one in opened.markdown)
        assert seen == (role in ("reviewer", "medical_director")), entry.case_id
        assert not opened.exception


def test_crew_opens_its_own_cases_and_no_other_where_the_agency_lets_it(own, monkeypatch):
    other = own.bring(SAMPLES / "rv-2031-0118")
    mine = own.key("rv-2031-0107")
    crews = {mine: frozenset({"c-17", "C-20"}), other: frozenset({"C-20"})}
    crew_of = Library.crew_of
    monkeypatch.setattr(Library, "crew_of", lambda shelf, key: crews.get(key) or crew_of(shelf, key))
    own.library.people.add("j.weller@example.org", name="J. Weller", roles=["crew"], crew_ids=["C-17"], who="tests")
    assert "Not for this account" in words(one_screen(claims("crew"), "walkthrough", case=mine))
    (own.folder / "library.toml").write_text("[crew]\nopens_own_cases = true\n", encoding="utf-8")
    shown = one_screen(claims("crew"), "walkthrough", case=mine)
    assert shown.header[0].value == "rv-2031-0107"
    assert not [button for button in shown.button if button.label.startswith(("Sign version", "Write"))]
    assert not shown.get("download_button")
    refused = one_screen(claims("crew"), "walkthrough", case=other)
    assert "rv-2031-0118" not in words(refused)
    assert "may not" in words(refused)
    nowhere = one_screen(claims("crew"), "walkthrough", case="0123456789ab")
    assert [one.value for one in nowhere.error] == [one.value for one in refused.error]


def test_sign_in_ends_after_the_hours_that_were_set(listed):
    assert "Worklist" in words(app(claims("reviewer", iat=int(time.time() - 9.9 * 3600))).run())
    late = app(claims("reviewer", iat=int(time.time() - 10.1 * 3600))).run()
    assert not late.dataframe
    assert late.user == {"is_logged_in": False}


def test_somebody_without_a_role_sees_nothing(listed):
    for user in (
        {"is_logged_in": True, "sub": "x", "email": "nobody@example.org", "iat": int(time.time())},
        claims("reviewer", email_verified=False),
    ):
        opened = app(user).run()
        assert [header.value for header in opened.header] == ["No role here"]
        assert not opened.dataframe


def test_whoever_has_no_role_does_not_stand_in_the_log_by_the_name_they_call_themselves(own):
    own.library.people.add("sub-reviewer", name="M. Ortiz", roles=["reviewer"], who="tests")
    for user in (claims("reviewer"), claims("reviewer", sub="a stranger", email="stranger@example.org")):
        app(user).run()
    told = [(line.who, line.what) for line in own.library.log_lines(did="signed in")]
    assert told == [("unknown person", "no role"), ("M. Ortiz", "reviewer")]


def test_an_entry_that_was_ended_ends_at_the_next_act(own):
    own.library.people.add("m.ortiz@example.org", name="M. Ortiz", roles=["reviewer"], who="tests")
    opened = app(claims("reviewer")).run()
    assert "Worklist" in words(opened)
    own.library.people.end("m.ortiz@example.org", who="tests")
    assert "No role here" in words(opened.run())


KEPT = """
import streamlit as st
from qi.model.errors import QiError
from qi.screens import on_desk
shelf = st.session_state.setdefault("shelf", on_desk.library())  # as a part of an open page keeps it
for what in (on_desk.who, shelf.entries, lambda: shelf.save_view("mine", {}, who="M. Ortiz")):
    try:
        st.write(f"done {what()}")
    except QiError as error:
        st.error(str(error))
"""


def test_what_an_open_page_holds_of_the_library_ends_with_the_role(own):
    own.library.people.add("m.ortiz@example.org", name="M. Ortiz", roles=["reviewer"], who="tests")
    opened = app(claims("reviewer"), KEPT).run()
    assert not opened.error
    assert [view.name for view in own.library.views()] == ["mine"]
    own.library.remove_view("mine", who="tests")
    own.library.people.end("m.ortiz@example.org", who="tests")
    opened.run()
    assert len(opened.error) == 3
    assert not opened.markdown
    assert own.library.views() == []


def test_who_somebody_is_is_asked_once_a_run(own, monkeypatch):
    own.library.people.add("m.ortiz@example.org", name="M. Ortiz", roles=["reviewer"], who="tests")
    asked, person_of = [], signed_in.person
    monkeypatch.setattr(signed_in, "person", lambda *given: asked.append(1) or person_of(*given))
    opened = app(claims("reviewer"), KEPT).run()
    assert len(asked) == 1
    opened.run()
    assert len(asked) == 2


def test_folders_of_the_server_are_named_below_the_inbox_only(own, tmp_path):
    own.library.people.add("m.ortiz@example.org", name="M. Ortiz", roles=["reviewer"], who="tests")
    opened = one_screen(claims("reviewer"), "bring_in")
    assert "way" not in {choice.key for choice in opened.segmented_control}
    assert "[bring_in]" in words(opened)
    opened.session_state["way"] = "A folder"
    assert "folder" not in {field.key for field in opened.run().text_input}
    inbox = tmp_path / "inbox"
    shutil.copytree(SAMPLES / "rv-2031-0118", inbox / "night")
    shutil.copytree(SAMPLES / "rv-2031-0125", tmp_path / "elsewhere")
    (own.folder / "library.toml").write_text(f"[bring_in]\ninbox = {json.dumps(str(inbox))}\n", encoding="utf-8")
    opened = one_screen(claims("reviewer"), "bring_in")
    opened.segmented_control(key="way").set_value("A folder").run()
    for typed in (str(tmp_path / "elsewhere"), "../elsewhere", str(own.folder / "cases"), "/etc", "not there"):
        opened.text_input(key="folder").set_value(typed).run()
        assert [one.value for one in opened.error] == [
            f"There is no folder “{typed}” in the inbox. Write its name as it stands there."
        ]
        assert not [button for button in opened.button if button.key == "bring-folder"]
    opened.text_input(key="folder").set_value("night").run()
    opened.button(key="bring-folder").click().run()
    assert not opened.exception
    assert {entry.case_id for entry in own.library.entries()} == {"rv-2031-0107", "night"}


def test_what_is_wrong_with_the_settings_is_said_to_whoever_runs_it(own, caplog):
    own.library.people.add("m.ortiz@example.org", name="M. Ortiz", roles=["reviewer"], who="tests")
    (own.folder / "library.toml").write_text("[agency]\nname = 'Doe'\nphone = 'private'\n", encoding="utf-8")
    for user in ({"is_logged_in": False}, claims("reviewer")):
        opened = app(user).run()
        assert not opened.exception
        assert "phone" not in words(opened)
    assert "The app cannot be used" in words(opened)
    assert "phone" in caplog.text


def test_what_is_written_stands_under_the_name_of_the_list(own):
    own.library.people.add("sub-reviewer", name="M. Ortiz", roles=["reviewer"], who="tests")
    opened = one_screen(claims("reviewer", name="Somebody Else"), "walkthrough", case=own.key("rv-2031-0107"))
    assert not [field for field in opened.text_input if field.label == "Reviewer"]
    next(button for button in opened.button if button.label.startswith("Sign version 1 as M. Ortiz")).click()
    opened.run()
    assert [line.who for line in own.lines("rv-2031-0107") if line.kind == "signed"] == ["M. Ortiz"]


def test_only_a_medical_director_takes_cases_out_with_identity(listed):
    key = listed.key("rv-2031-0107")
    found = {}
    for role in ("reviewer", "medical_director"):
        opened = one_screen(claims(role), "walkthrough", case=key)
        found[role] = {button.proto.label for button in opened.get("download_button")}
    assert "The case, to be shared" in found["reviewer"] & found["medical_director"]
    assert {label for label in found["medical_director"] if "FHIR" in label or "EDF" in label}
    assert not {label for label in found["reviewer"] if "FHIR" in label or "EDF" in label}


def test_the_screens_refuse_everybody_where_others_could_reach_an_app_without_sign_in(listed, monkeypatch):
    told = standing.config.get_option
    monkeypatch.setattr(standing.config, "get_option", lambda name: None if name == "server.address" else told(name))
    opened = AppTest.from_string("from qi.screens import worklist\nworklist.show()\n", default_timeout=60).run()
    assert "Not for this account" in words(opened)


def test_every_act_that_a_page_asks_for_is_some_role_s():
    assert {act for _, act in PAGES} <= {act for acts in MAY.values() for act in acts}
