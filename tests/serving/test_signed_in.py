"""From the claims of a sign-in to a person with roles, and when a sign-in is over."""

import time
from dataclasses import replace
from datetime import timedelta

import pytest

from qi.library.library import Library
from qi.library.people import Listed
from qi.library.sign_in import SignIn
from qi.model.errors import UnreadableFile
from qi.model.people import NOBODY
from qi.serving.signed_in import is_over, made, person, sign_out

NOW = 1_900_000_000.0
LISTED = Listed("m.ortiz@example.org", "M. Ortiz", ("reviewer",), ("C-17",), "tests", None, "", None)


def known(subjects):
    return LISTED if LISTED.subject in subjects else None


@pytest.mark.parametrize(
    ("claims", "over"),
    [
        ({"iat": NOW}, False),
        ({"iat": NOW - 10 * 3600 + 1}, False),
        ({"iat": NOW - 10 * 3600}, True),
        ({"iat": NOW + 200}, False),
        ({"iat": NOW + 400}, True),
        ({"auth_time": NOW - 9 * 3600}, False),
        ({"iat": NOW - 60, "auth_time": NOW - 30 * 3600}, False),  # signed in at the provider yesterday, here a minute ago
        ({}, True),
        ({"iat": "soon"}, True),
        ({"iat": True}, True),
        ({"iat": NOW - 60, "exp": NOW - 1}, False),
    ],
)
def test_when_a_sign_in_is_over(claims, over):
    assert is_over(claims, SignIn(), NOW) == over


def test_with_the_token_where_that_was_set():
    read = SignIn(end_with_token=True)
    assert is_over({"iat": NOW - 60, "exp": NOW}, read, NOW)
    assert is_over({"iat": NOW - 60}, read, NOW)
    assert not is_over({"iat": NOW - 60, "exp": NOW + 1}, read, NOW)


def test_roles_from_the_list():
    found = made(
        {"sub": "7", "email": "m.ortiz@example.org", "email_verified": True, "name": "Other", "groups": ["administrator"]},
        SignIn(),
        known,
    )
    assert (found.name, found.roles, found.crew_ids, found.subject) == ("M. Ortiz", {"reviewer"}, {"C-17"}, "7")
    assert not made({"sub": "7"}, SignIn(), known).roles
    assert not made({}, SignIn(), known).roles


@pytest.mark.parametrize(
    ("said", "trusted", "otherwise"),
    [
        (True, True, True),
        ("true", True, True),
        (False, False, False),
        ("false", False, False),
        (None, False, False),
        (1, False, False),
    ],
)
def test_an_address_names_a_person_once_the_provider_has_verified_it(said, trusted, otherwise):
    claims = {"sub": "7", "email": "m.ortiz@example.org", "email_verified": said}
    assert bool(made(claims, SignIn(), known).roles) == trusted
    assert bool(made(claims, SignIn(trusts_email=True), known).roles) == otherwise
    del claims["email_verified"]
    assert not made(claims, SignIn(), known).roles
    assert made(claims, SignIn(trusts_email=True), known).roles == {"reviewer"}


def test_of_several_providers_a_subject_counts_with_its_issuer():
    def listed(subjects):
        return LISTED if "https://a.example.org 7" in subjects else None

    first, second = ({"iss": f"https://{one}.example.org", "sub": "7"} for one in "ab")
    assert made(first, SignIn(), listed, several=True).roles == {"reviewer"}
    assert not made(second, SignIn(), listed, several=True).roles
    assert not made(second, SignIn(), lambda subjects: LISTED if "7" in subjects else None, several=True).roles
    assert made(first, SignIn(), listed, several=True).subject != made(second, SignIn(), listed, several=True).subject


def test_signed_out_is_signed_out_everywhere_and_nowhere_else(tmp_path):
    now = time.time()
    claims = {"is_logged_in": True, "iss": "https://a.example.org", "sub": "7", "iat": now}
    others = [claims | {"sub": "8"}, claims | {"iat": now - 1}, claims | {"iss": "https://b.example.org"}]
    with Library.open(tmp_path / "library") as library:
        assert person(library, claims) != NOBODY
        sign_out(library, claims)
        sign_out(library, claims)  # pressed in two tabs
        assert person(library, claims) == NOBODY
        assert NOBODY not in [person(library, one) for one in others]
    with Library.open(tmp_path / "library") as again:
        assert person(again, claims) == NOBODY
        again.people.sign_out("another", until=again.now() - timedelta(seconds=1))
        again.people.sign_out("a third", until=again.now() + timedelta(hours=1))
        assert [again.people.is_signed_out(one) for one in ("another", "a third")] == [False, True]


def test_roles_and_crew_numbers_from_claims():
    read = SignIn(roles_claim="groups", roles={"qi": "reviewer", "md": "medical_director"}, crew_claim="employee")
    many = made({"sub": "7", "name": "R. Adeyemi", "groups": ["md", "qi", "payroll"], "employee": 42}, read, lambda _: None)
    assert (many.name, many.roles, many.crew_ids) == ("R. Adeyemi", {"reviewer", "medical_director"}, {"42"})
    assert made({"sub": "7", "groups": "qi"}, read, known).roles == {"reviewer"}
    for groups in (None, [], "QI", ["payroll"], {"qi": 1}, True):
        assert not made({"sub": "7", "email": "m.ortiz@example.org", "groups": groups}, read, known).roles


def test_the_agency_of_crew_numbers_is_that_of_the_entry():
    bound = replace(LISTED, agency="Rillstone Valley EMS")
    for read in (SignIn(), SignIn(crew_claim="employee")):
        found = made({"sub": "m.ortiz@example.org", "employee": "C-17", "org": "Other"}, read, lambda _: bound)
        assert (found.crew_ids, found.agency) == ({"C-17"}, "Rillstone Valley EMS")
    assert made({"sub": "8", "employee": 42}, SignIn(crew_claim="employee"), lambda _: None).agency == ""


@pytest.mark.parametrize(
    ("told", "agency"),
    [
        ("Gallows Hill Rescue", "Gallows Hill Rescue"),
        (["Gallows Hill Rescue", " gallows hill  rescue"], " gallows hill  rescue"),
        (["Gallows Hill Rescue", "Rillstone Valley EMS"], None),
        ([], None),
        ("  ", None),
        (None, None),
        ({"name": "Gallows Hill Rescue"}, None),
    ],
)
def test_a_sign_in_that_is_to_say_which_agency_and_does_not_has_no_crew_number(told, agency):
    bound = replace(LISTED, agency="Rillstone Valley EMS")
    for read in (SignIn(agency_claim="org"), SignIn(agency_claim="org", crew_claim="employee")):
        found = made({"sub": "m.ortiz@example.org", "employee": "C-17", "org": told}, read, lambda _: bound)
        assert (found.crew_ids, found.agency) == (({"C-17"}, agency) if agency else (frozenset(), ""))
        assert found.roles == {"reviewer"}


def test_a_person_stays_the_same_whatever_their_name_and_however_they_come_in():
    sub = {"iss": "https://a.example.org", "sub": "7", "name": "M. Ortiz"}
    mail = {"email": "m.ortiz@example.org", "email_verified": True}
    alone = made(sub, SignIn(), lambda _: None)
    assert len(alone.marks) == 1
    assert made(sub | {"name": "M. Ortiz-Lane"}, SignIn(), lambda _: None).marks == alone.marks
    assert made(sub, SignIn(), lambda _: None, several=True).marks == alone.marks
    listed = made(sub | mail, SignIn(), known)
    assert listed.marks > alone.marks
    other_account = made(sub | mail | {"iss": "https://b.example.org", "sub": "x"}, SignIn(), known)
    assert len(other_account.marks & listed.marks) == 1
    relisted = made(sub, SignIn(), lambda _: replace(LISTED, subject="7", number=9))
    assert relisted.marks & listed.marks == alone.marks


def test_other_people_have_other_marks_and_none_says_who_it_is():
    claims = {"iss": "https://a.example.org", "sub": "7", "name": "M. Ortiz"}
    others = [
        claims | {"sub": "8"},
        claims | {"iss": "https://b.example.org"},
        claims | {"iss": "https://a.example.org7", "sub": ""},
    ]
    mine = made(claims, SignIn(), lambda _: None).marks
    assert not any(made(one, SignIn(), lambda _: None).marks & mine for one in others)
    assert made({}, SignIn(), known).marks == frozenset()
    assert all(set(mark) <= set("0123456789abcdef") and len(mark) == 32 for mark in made(claims, SignIn(), lambda _: LISTED).marks)


def test_a_name_is_one_line():
    assert made({"sub": "7", "name": "A\nB\x00" + "c" * 200}, SignIn(), lambda _: None).name == "AB" + "c" * 78


def test_a_person_of_a_library(tmp_path):
    with Library.open(tmp_path / "library") as library:
        library.people.add("m.ortiz@example.org", name="M. Ortiz", roles=["reviewer"], who="tests")
        claims = {"is_logged_in": True, "sub": "7", "email": "M.Ortiz@example.org", "email_verified": True, "iat": time.time()}
        assert person(library, claims).roles == {"reviewer"}
        assert person(library, claims | {"is_logged_in": False}) == NOBODY
        assert person(library, claims | {"iat": time.time() - 11 * 3600}) == NOBODY
        (tmp_path / "library" / "library.toml").write_text("[sign_in]\nhours = 12\n", encoding="utf-8")
        assert person(library, claims | {"iat": time.time() - 11 * 3600}).name == "M. Ortiz"


def test_what_is_wrong_with_the_settings_is_not_for_nobody_in_particular(tmp_path):
    with Library.open(tmp_path / "library") as library:
        (tmp_path / "library" / "library.toml").write_text("[sign_in]\nhours = 'many'\n", encoding="utf-8")
        assert person(library, {}) == person(library, {"is_logged_in": False}) == NOBODY
        with pytest.raises(UnreadableFile):
            person(library, {"is_logged_in": True, "sub": "7", "iat": time.time()})
