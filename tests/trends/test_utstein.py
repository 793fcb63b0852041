"""Utstein groups and strata, with the cases of which the record leaves it open."""

import itertools

import pytest

from qi.model.errors import BadTable
from qi.trends.utstein import GROUPS, STRATA, member, stratum
from tests.trends.cases import case, table

BY_KEY = {group.key: group for group in GROUPS}
WITNESSED = {"bystander": True, "ems": False, "no": False, "unknown": None, None: None}
RHYTHM = {
    "VF": True,
    "pVT": True,
    "unknown_shockable": True,
    "PEA": False,
    "asystole": False,
    "organised": False,
    None: None,
    "odd": None,
}
CPR = {"yes": True, "no": False, "unknown": None, None: None}


def three_valued(*answers):
    return False if False in answers else None if None in answers else True


@pytest.mark.parametrize("key", ["comparator", "comparator_cpr"])
def test_comparator_is_bystander_witnessed_and_shockable(key):
    """CARES 2017 report p. 28 (read): bystander-witnessed and first rhythm shockable; then those with bystander CPR as well."""
    kinds = list(itertools.product(WITNESSED, RHYTHM, CPR))
    cases = table(*(case(witnessed=w, first_rhythm=r, bystander_cpr=c) for w, r, c in kinds))
    found = member(cases, BY_KEY[key])
    for (w, r, c), answer in zip(kinds, found, strict=True):
        parts = (WITNESSED[w], RHYTHM[r], CPR[c]) if key == "comparator_cpr" else (WITNESSED[w], RHYTHM[r])
        expected = {True: "yes", False: "no", None: None}[three_valued(*parts)]
        assert (answer if isinstance(answer, str) else None) == expected, (w, r, c)


def test_each_case_has_one_stratum_or_none():
    kinds = list(itertools.product(WITNESSED, RHYTHM))
    cases = table(*(case(witnessed=w, first_rhythm=r) for w, r in kinds))
    found = stratum(cases)
    for (w, r), one in zip(kinds, found, strict=True):
        if w == "ems":
            assert one == "ems_witnessed"
        elif w in ("bystander", "no") and RHYTHM[r] is not None:
            who = "bystander" if w == "bystander" else "unwitnessed"
            assert one == f"{who}_{'shockable' if RHYTHM[r] else 'not_shockable'}"
        else:
            assert one != one  # missing
    assert set(found.dropna()) == set(STRATA)


def test_groups_of_the_strata_hold_the_same_cases():
    cases = table(*(case(witnessed=w, first_rhythm=r) for w, r in itertools.product(WITNESSED, RHYTHM)))
    found = stratum(cases)
    for key in STRATA:
        group = BY_KEY["comparator" if key == "bystander_shockable" else key]
        assert list(member(cases, group) == "yes") == list(found == key)


def test_a_strange_word_for_the_witness_is_named():
    with pytest.raises(BadTable, match="neighbour"):
        stratum(table(case(witnessed="neighbour")))


def test_no_cases():
    assert stratum(table()).empty
    assert member(table(), BY_KEY["all"]).empty
