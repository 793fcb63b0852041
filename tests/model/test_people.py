"""Roles and what each may do."""

import pytest

from qi.model.people import ACTS, MAY, NOBODY, ROLES, Person, at_this_machine, is_of_agency, may, may_anything, may_see, was_on


def person(*roles, **more):
    return Person("P", roles=frozenset(roles), **more)


def test_the_table_speaks_of_known_roles_and_acts():
    assert set(MAY) == set(ROLES)
    assert {act for acts in MAY.values() for act in acts} == set(ACTS)


def test_who_may_what():
    cases = {"see_cases", "bring_in", "review", "sign", "export", "send_feedback", "see_trends"}
    for act in cases:
        assert [role for role in ROLES if may(person(role), act)] == ["reviewer", "medical_director"], act
    for act in ("export_identity", "delete", "plan"):
        assert [role for role in ROLES if may(person(role), act)] == ["medical_director"], act
    assert [role for role in ROLES if may(person(role), "manage_people")] == ["administrator"]
    assert [role for role in ROLES if may(person(role), "read_own_sheets")] == ["crew"]


def test_no_role_and_no_known_role_may_nothing():
    for one in (NOBODY, person("chief"), person("Reviewer")):
        assert not may_anything(one)
    assert may(person("crew", "administrator"), "manage_people")


def test_a_misspelt_act_never_passes():
    with pytest.raises(KeyError):
        may(at_this_machine("P"), "veiw")


def test_the_one_person_may_all_but_read_sheets_sent_to_crews():
    assert {act for act in ACTS if not may(at_this_machine("P"), act)} == {"read_own_sheets"}


def test_whose_case_it_is():
    crew, one = person("crew", crew_ids=frozenset({" C-17", ""}), opens_own=True), {"agency": "A", "known": ["A"]}
    assert was_on(crew, ["c-17 ", "C-2"], **one)
    assert not was_on(crew, ["", "C-170"], **one)
    assert not was_on(person("crew"), [""], **one)
    assert may_see(crew, ["C-17"], **one)
    assert not may_see(crew, ["C-2"], **one)
    assert not may_see(person("crew", crew_ids=frozenset({"C-17"})), ["C-17"], **one)
    assert may_see(person("reviewer"), [], **one)
    assert not may_see(person("administrator"), ["C-17"], **one)
    assert may(person("reviewer"), "see_own_case")
    several = {"agency": "A", "known": ["A", "B"]}
    assert not was_on(crew, ["C-17"], **several)
    assert not may_see(crew, ["C-17"], **several)
    assert may_see(person("reviewer"), [], **several)
    for agency, sees in (("a ", True), ("B", False)):
        bound = person("crew", crew_ids=frozenset({"C-17"}), agency=agency, opens_own=True)
        assert was_on(bound, ["C-17"], **several) == may_see(bound, ["C-17"], **several) == sees


@pytest.mark.parametrize(
    ("theirs", "case", "known", "is_theirs"),
    [
        ("", "", [], True),
        ("", "A", ["A", " a"], True),  # one agency, written twice
        ("", "", ["A"], True),
        ("A", "", ["A"], True),
        ("A", "A", ["A"], True),
        ("B", "A", ["A"], False),
        ("B", "A", [], False),
        ("B", "", ["A"], False),
        ("", "A", ["A", "B"], False),
        ("", "", ["A", "B"], False),
        ("A", "", ["A", "B"], False),
        ("a  b", " A B", ["A", "B"], True),
        ("A", "B", ["A", "B"], False),
        ("", "S", ["A"], False),  # an invented case beside the agency's own
    ],
)
def test_whose_numbers_they_are(theirs, case, known, is_theirs):
    assert is_of_agency(theirs, case, known) == is_theirs
