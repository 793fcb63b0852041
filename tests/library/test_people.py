"""The list of people: added, known by what a sign-in says, ended, never deleted; and how library.toml tells of sign-in."""

import sqlite3

import pytest

from qi.library import settings
from qi.library.place import SETTINGS_FILE
from qi.library.sign_in import SignIn
from qi.model.errors import QiError, UnknownWord, UnreadableFile


def test_added_known_and_ended(library):
    people = library.people
    added = people.add(" M.Ortiz@Example.org ", name=" M. Ortiz ", roles=["reviewer", "administrator"], who="setting up")
    assert (added.subject, added.name, added.roles, added.ended_at) == (
        "m.ortiz@example.org",
        "M. Ortiz",
        ("administrator", "reviewer"),
        None,
    )
    people.add("Sub-7", name="J. Weller", roles=["crew"], crew_ids=[" C-17", "C-17 ", ""], who="M. Ortiz")
    assert people.known_by(["nobody", "M.ORTIZ@example.org"]) == added
    assert people.known_by(["Sub-7"]).crew_ids == ("C-17",)
    assert people.known_by(["sub-7"]) is None  # a subject is case-sensitive (OpenID Connect Core 1.0, section 2)
    assert people.known_by(["", " "]) is None
    people.end("Sub-7", who="M. Ortiz")
    assert people.known_by(["Sub-7"]) is None
    assert [(one.name, one.ended_by) for one in people.all()] == [("M. Ortiz", ""), ("J. Weller", "M. Ortiz")]
    again = people.add("Sub-7", name="J. Weller", roles=["crew"], crew_ids=["C-18"], who="M. Ortiz")
    assert people.known_by(["Sub-7"]) == again
    assert len(people.all()) == 3


def test_what_cannot_be_is_refused(library):
    people = library.people
    people.add("a@example.org", name="A", roles=["administrator"], who="setting up")
    people.add("b@example.org", name="B", roles=["reviewer"], who="A")
    for given in (
        {"subject": "A@example.org", "name": "Again", "roles": ["reviewer"]},
        {"subject": "c@example.org", "name": "", "roles": ["reviewer"]},
        {"subject": "c@example.org", "name": "C", "roles": []},
        {"subject": "c@example.org", "name": "C", "roles": ["crew"]},
        {"subject": " ", "name": "C", "roles": ["reviewer"]},
        {"subject": "c\n@example.org", "name": "C", "roles": ["reviewer"]},
    ):
        with pytest.raises(QiError):
            people.add(**given, who="A")
    with pytest.raises(UnknownWord, match="reviewer"):
        people.add("c@example.org", name="C", roles=["chief"], who="A")
    with pytest.raises(QiError, match="last administrator"):
        people.end("a@example.org", who="A")
    with pytest.raises(QiError, match="not on the list"):
        people.end("z@example.org", who="A")
    assert len(people.all()) == 2


def test_of_one_subject_one_entry_is_in_force_whoever_writes(library, place):
    library.people.add("a@example.org", name="A", roles=["reviewer"], who="setting up")
    row = "INSERT INTO people (subject, name, roles, crew_ids, added_by, added_at) VALUES ('a@example.org', 'X', '', '', 'X', 'X')"
    if not place.is_sqlite:
        return
    with sqlite3.connect(place.folder / "reviews.sqlite") as other, pytest.raises(sqlite3.IntegrityError):
        other.execute(row)


def test_settings_of_sign_in(tmp_path):
    (tmp_path / SETTINGS_FILE).write_text(
        '[sign_in]\nhours = 8\nroles_claim = "groups"\ncrew_claim = "employee"\nagency_claim = "org"\nend_with_token = true\n'
        '[sign_in.roles]\n"qi-team" = "reviewer"\n[crew]\nopens_own_cases = true\n',
        encoding="utf-8",
    )
    assert settings.read(tmp_path).sign_in == SignIn(
        hours=8.0,
        roles_claim="groups",
        roles={"qi-team": "reviewer"},
        crew_claim="employee",
        agency_claim="org",
        end_with_token=True,
        crew_opens_own=True,
    )
    (tmp_path / SETTINGS_FILE).write_text('[agency]\nname = "Rillstone Valley EMS"\n', encoding="utf-8")
    assert settings.read(tmp_path).sign_in == SignIn()


@pytest.mark.parametrize(
    "text",
    [
        "[sign_in]\nhours = 0\n",
        "[sign_in]\nhours = 25\n",
        "[sign_in]\nhours = true\n",
        "[sign_in]\nroles_claim = 3\n",
        "[sign_in]\nagency_claim = true\n",
        '[sign_in]\nroles_claim = "groups"\n',
        '[sign_in.roles]\n"qi" = "reviewer"\n',
        "[sign_in]\nroles = 3\n",
        '[sign_in]\nend_with_token = "yes"\n',
        "[crew]\nopens_own_cases = 1\n",
        '[sign_in]\nroles_claim = "groups"\n[sign_in.roles]\n"qi" = "chief"\n',
        "[sign_in]\nhour = 9\n",
    ],
)
def test_settings_that_cannot_be_used_are_refused(tmp_path, text):
    (tmp_path / SETTINGS_FILE).write_text(text, encoding="utf-8")
    with pytest.raises((UnreadableFile, UnknownWord)):
        settings.read(tmp_path)
