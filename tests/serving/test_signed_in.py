"""From the claims of a sign-in to a person with roles, and when a sign-in is over."""

import time

import pytest

from qi.library.library import Library
from qi.library.people import Listed
from qi.library.sign_in import SignIn
from qi.model.people import NOBODY
from qi.serving.signed_in import is_over, made, person

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
    found = made({"sub": "7", "email": "m.ortiz@example.org", "name": "Other", "groups": ["administrator"]}, SignIn(), known)
    assert (found.name, found.roles, found.crew_ids, found.subject) == ("M. Ortiz", {"reviewer"}, {"C-17"}, "7")
    for claims in ({"sub": "7"}, {"sub": "7", "email": "m.ortiz@example.org", "email_verified": False}, {}):
        assert not made(claims, SignIn(), known).roles


def test_roles_and_crew_numbers_from_claims():
    read = SignIn(roles_claim="groups", roles={"qi": "reviewer", "md": "medical_director"}, crew_claim="employee")
    many = made({"sub": "7", "name": "R. Adeyemi", "groups": ["md", "qi", "payroll"], "employee": 42}, read, lambda _: None)
    assert (many.name, many.roles, many.crew_ids) == ("R. Adeyemi", {"reviewer", "medical_director"}, {"42"})
    assert made({"sub": "7", "groups": "qi"}, read, known).roles == {"reviewer"}
    for groups in (None, [], "QI", ["payroll"], {"qi": 1}, True):
        assert not made({"sub": "7", "email": "m.ortiz@example.org", "groups": groups}, read, known).roles


def test_a_name_is_one_line():
    assert made({"sub": "7", "name": "A\nB\x00" + "c" * 200}, SignIn(), lambda _: None).name == "AB" + "c" * 78


def test_a_person_of_a_library(tmp_path):
    with Library.open(tmp_path / "library") as library:
        library.people.add("m.ortiz@example.org", name="M. Ortiz", roles=["reviewer"], who="tests")
        claims = {"is_logged_in": True, "sub": "7", "email": "M.Ortiz@example.org", "iat": time.time()}
        assert person(library, claims).roles == {"reviewer"}
        assert person(library, claims | {"is_logged_in": False}) == NOBODY
        assert person(library, claims | {"iat": time.time() - 11 * 3600}) == NOBODY
        (tmp_path / "library" / "library.toml").write_text("[sign_in]\nhours = 12\n")
        assert person(library, claims | {"iat": time.time() - 11 * 3600}).name == "M. Ortiz"
