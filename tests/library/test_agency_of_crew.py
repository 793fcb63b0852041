"""Two agencies that use the same crew numbers: each of the crew reaches what is of their own agency, and which is never guessed."""

import pytest
import sqlalchemy as sa
from alembic import command

from qi.library import place as places
from qi.library.database import Database, configuration
from qi.library.guarded import guarded
from qi.library.mailed import CASE_UNSAID, NO_ADDRESS, UNSAID, Recipient
from qi.library.sign_in import SignIn
from qi.model.errors import NotAllowed, QiError
from qi.model.people import Person
from tests.library.made_cases import AGENCY, NOON, bring_in

OTHER = "Gallows Hill Rescue"
NUMBER = "17"


def sent(library, folder, number="RV-1", *, agency=AGENCY, invented=False):
    """A signed case of an agency with a sheet that went to crew number 17."""
    key = bring_in(library, folder, number, agency=agency, invented=invented)
    library.sign(key, {"n": 1}, who="M. Ortiz", after=0)
    library.save_sheet(key, 1, {"case": number}, who="M. Ortiz")
    library.send_sheet(key, 1, [NUMBER], who="M. Ortiz")
    return key


def crew(agency="", **more):
    return Person("J. Weller", roles=frozenset({"crew"}), crew_ids=frozenset({NUMBER}), agency=agency, **more)


def found(library, agency=""):
    return [one.case_key for one in guarded(library, lambda: crew(agency)).sheets_for({NUMBER})]


@pytest.fixture
def two(library, tmp_path):
    """The keys of two cases with a sheet for number 17, of two agencies."""
    return sent(library, tmp_path), sent(library, tmp_path, agency=OTHER)


def test_in_a_library_of_one_agency_nobody_need_say_which(library, tmp_path):
    key, without = sent(library, tmp_path), sent(library, tmp_path, "RV-2", agency="")
    assert sorted(found(library)) == sorted([key, without])
    assert sorted(found(library, f" {AGENCY.upper()}")) == sorted([key, without])
    assert found(library, OTHER) == []
    assert library.people.doubts(SignIn()) == []


def test_each_finds_the_sheets_of_their_own_agency_and_who_does_not_say_finds_none(library, two):
    mine, other = two
    assert found(library, "rillstone  valley ems ") == [mine]
    assert found(library, OTHER) == [other]
    assert found(library, "Rillstone") == []
    with pytest.raises(QiError, match="more than one agency"):
        found(library)


def test_what_is_not_theirs_can_be_neither_read_nor_answered(library, two):
    mine, other = two
    acts = (
        lambda shelf, key: shelf.mark_read(key, 1, {NUMBER}, who="J. Weller"),
        lambda shelf, key: shelf.answer_sheet(key, 1, {NUMBER}, "Thank you.", who="J. Weller"),
        lambda shelf, key: shelf.answer_sheet(key, 1, {NUMBER}, "Thank you.", who="J. Weller", agency=OTHER),
        lambda shelf, key: shelf.about(key),
    )
    for act in acts:
        for person, key in ((crew(AGENCY), other), (crew(), other), (crew(), mine)):
            with pytest.raises((QiError, NotAllowed)):
                act(guarded(library, lambda whose=person: whose), key)
    for key in two:
        assert [(dict(one.crew), one.answers) for one in library.sheets(key)] == [({NUMBER: None}, ())]
    guarded(library, lambda: crew(AGENCY)).answer_sheet(mine, 1, {NUMBER}, "Thank you.", who="J. Weller")
    assert [answer.text for answer in library.sheets(mine)[0].answers] == ["Thank you."]


def test_a_case_is_opened_by_its_own_agency_s_crew_alone(library, two, monkeypatch):
    mine, other = two
    monkeypatch.setattr(type(library), "crew_of", lambda _, key: frozenset({NUMBER}))
    for agency, own in ((AGENCY, [mine]), (OTHER, [other]), ("", [])):
        person = crew(agency, opens_own=True)
        shelf = guarded(library, lambda whose=person: whose)
        assert [entry.key for entry in shelf.entries()] == shelf.keys() == own
        for key in two:
            if key in own:
                assert [line.kind for line in shelf.lines(key)] == ["signed", "feedback"]
                assert shelf.about(key).key == key
                continue
            for asked in (shelf.lines, shelf.about, shelf.crew_of):
                with pytest.raises(NotAllowed, match="may not open this case"):
                    asked(key)


def test_a_case_that_names_no_agency_is_nobody_s_where_there_are_several(library, two, tmp_path):
    mine, _ = two
    sent(library, tmp_path, "RV-3", agency="  ")
    assert found(library, AGENCY) == [mine]
    assert any("Cases that name no agency: 1." in said for said in library.people.doubts(SignIn()))


def test_the_invented_cases_make_no_second_agency(library, tmp_path):
    own, sample = sent(library, tmp_path), sent(library, tmp_path, "S-1", agency=OTHER, invented=True)
    assert found(library) == found(library, AGENCY) == [own]
    assert found(library, OTHER) == [sample]
    assert library.people.agencies() == [AGENCY]


def test_an_agency_of_the_list_counts_before_its_first_case(library, tmp_path):
    key = sent(library, tmp_path)
    library.people.add("sub-7", name="J. Weller", roles=["crew"], crew_ids=[NUMBER], who="x")
    assert found(library) == [key]
    library.people.add("sub-8", name="P. Ash", roles=["crew"], crew_ids=[NUMBER], agency=OTHER, who="x")
    assert library.people.agencies() == [OTHER, AGENCY]
    with pytest.raises(QiError, match="more than one agency"):
        found(library)
    library.people.end("sub-8", who="x")
    assert found(library) == [key]


def test_of_several_agencies_an_entry_says_which(library, two):
    people = library.people
    with pytest.raises(QiError, match=f"{OTHER}; {AGENCY}.*say of which"):
        people.add("sub-7", name="J. Weller", roles=["crew"], crew_ids=[NUMBER], who="x")
    with pytest.raises(QiError, match="there are none"):
        people.add("sub-7", name="J. Weller", roles=["reviewer"], agency=AGENCY, who="x")
    with pytest.raises(QiError, match="one line"):
        people.add("sub-7", name="J. Weller", roles=["crew"], crew_ids=[NUMBER], agency="A\nB", who="x")
    added = people.add("sub-7", name="J. Weller", roles=["crew"], crew_ids=[NUMBER], agency=" Rillstone  Valley EMS ", who="x")
    assert (added.agency, people.known_by(["sub-7"])) == (AGENCY, added)
    people.add("sub-9", name="M. Ortiz", roles=["reviewer"], who="x")


def test_an_entry_is_bound_by_another_in_its_place(library, two):
    people = library.people
    people.add("sub-7", name="J. Weller", roles=["crew", "reviewer"], crew_ids=[NUMBER, "203"], agency=OTHER, who="x")
    people.add("sub-9", name="M. Ortiz", roles=["reviewer"], who="x")
    bound = people.bind(" sub-7 ", agency=AGENCY, who="M. Ortiz")
    assert people.known_by(["sub-7"]) == bound
    assert (bound.agency, bound.name, bound.roles, bound.crew_ids, bound.added_by) == (
        AGENCY,
        "J. Weller",
        ("crew", "reviewer"),
        (NUMBER, "203"),
        "M. Ortiz",
    )
    assert [(one.agency, one.ended_by) for one in people.all() if one.subject == "sub-7"] == [(AGENCY, ""), (OTHER, "M. Ortiz")]
    for subject, agency, words in (
        ("sub-7", "", "say of which"),
        ("sub-7", "A\nB" + "x" * 300, "one line"),
        ("sub-8", AGENCY, "not on the list"),
        ("sub-9", AGENCY, "there are none"),
    ):
        with pytest.raises(QiError, match=words):
            people.bind(subject, agency=agency, who="x")
    assert people.known_by(["sub-7"]) == bound, "a refusal ends no entry"
    assert library.verify_log() == []


def test_the_administrator_is_told_whose_number_is_in_doubt(library, tmp_path):
    people = library.people
    people.add("sub-7", name="J. Weller", roles=["crew"], crew_ids=[NUMBER, "203"], who="x")
    people.add("sub-9", name="M. Ortiz", roles=["reviewer"], who="x")
    sent(library, tmp_path)
    assert people.doubts(SignIn()) == []
    sent(library, tmp_path, agency=OTHER)
    several, whose = people.doubts(SignIn())
    assert f"({OTHER}; {AGENCY})" in several
    assert whose.endswith("no sheet and no case: J. Weller (17, 203).")
    (_, claimed, _) = people.doubts(SignIn(crew_claim="employee"))
    assert "“employee” does not say of which agency" in claimed
    assert people.doubts(SignIn(crew_claim="employee", agency_claim="organization")) == []
    people.bind("sub-7", agency="Rilstone Valley EMS", who="x")
    (misspelt,) = people.doubts(SignIn())
    assert "written so: Rilstone Valley EMS. Until one is, these see none: J. Weller (17, 203)." in misspelt
    people.bind("sub-7", agency=AGENCY, who="x")
    assert people.doubts(SignIn()) == []


def test_mail_goes_to_the_crew_of_the_case_s_own_agency(library, two, tmp_path):
    mine, other = two
    nowhere = sent(library, tmp_path, "RV-3", agency="")
    assert library.mail_to(mine, 1) == [Recipient(NUMBER, "", NO_ADDRESS)]
    library.people.add("w@example.org", name="J. Weller", roles=["crew"], crew_ids=[NUMBER], agency=AGENCY, who="x")
    assert library.mail_to(mine, 1) == [Recipient(NUMBER, "w@example.org", "")]
    assert library.mail_to(other, 1) == [Recipient(NUMBER, "", NO_ADDRESS)]
    library.people.add("a@example.org", name="P. Ash", roles=["crew"], crew_ids=[NUMBER], agency=OTHER, who="x")
    assert library.mail_to(mine, 1) == [Recipient(NUMBER, "w@example.org", "")]
    assert library.mail_to(other, 1) == [Recipient(NUMBER, "a@example.org", "")]
    assert library.mail_to(nowhere, 1) == [Recipient(NUMBER, "", CASE_UNSAID)]


def test_nobody_is_mailed_by_a_number_that_may_be_another_agency_s(library, tmp_path):
    library.people.add("w@example.org", name="J. Weller", roles=["crew"], crew_ids=[NUMBER], who="x")
    key = sent(library, tmp_path)
    assert library.mail_to(key, 1) == [Recipient(NUMBER, "w@example.org", "")]
    bring_in(library, tmp_path, agency=OTHER)
    assert library.mail_to(key, 1) == [Recipient(NUMBER, "", UNSAID)]


def test_an_older_list_of_people_says_no_agency(place):
    places.prepare(place.folder)
    old = Database(place.url)
    with old.writing() as connection:
        command.upgrade(configuration(connection), "0009")
        people = sa.Table("people", sa.MetaData(), autoload_with=connection)
        assert "agency" not in people.c
        row = {"subject": "sub-7", "name": "J. Weller", "roles": ["crew"], "crew_ids": [NUMBER], "added_by": "x", "added_at": NOON}
        connection.execute(sa.insert(people), [row])
    old.close()
    (one,) = place.open().people.all()
    assert (one.subject, one.crew_ids, one.agency) == ("sub-7", (NUMBER,), "")
