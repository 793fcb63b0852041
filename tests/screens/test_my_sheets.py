"""My sheets where two agencies use the same crew numbers: each sees what was sent to their own, and nobody guesses."""

import time

import pytest

from qi.desk import sheets
from tests.screens.conftest import SAMPLES, words
from tests.screens.test_for_the_crew import CASE, shown, sign
from tests.screens.test_roles import one_screen

OTHER = "Gallows Hill Rescue"


@pytest.fixture
def two(own):
    """The sheet of a case went to C-104, and the library holds a case of another agency as well."""
    own.bring(SAMPLES / "rv-2031-0118", agency=OTHER)
    key = sign(own, CASE)
    review, version = sheets.signed(own.library, key)
    sheets.send(own.library, key, sheets.sheet_of(own.library, key), review, version, who="M. Ortiz")
    return own


def as_crew(**query):
    user = {"is_logged_in": True, "sub": "sub-7", "name": "J. Weller", "org": [OTHER], "iat": int(time.time())}
    return one_screen(user, "my_sheets", **query)


def listed(shelf, agency):
    shelf.library.people.add("sub-7", name="J. Weller", roles=["crew"], crew_ids=["C-104"], agency=agency, who="tests")


@pytest.mark.parametrize(("agency", "found"), [("Rillstone Valley EMS", 1), (OTHER, 0)])
def test_a_number_finds_the_sheets_of_its_agency(two, agency, found):
    listed(two, agency)
    app = as_crew(case=two.key(CASE), sheet="1")
    assert not app.exception
    assert len(shown(app)) == found
    assert ("No sheet has been sent to you yet" in words(app)) == (not found)


def test_a_number_of_which_nobody_says_the_agency_finds_none_and_it_is_said(own):
    listed(own, "")
    own.bring(SAMPLES / "rv-2031-0118", agency=OTHER)
    app = as_crew()
    assert "it is not said of which agency your crew number is" in words(app)
    assert not shown(app)
    assert "quality improvement only" in words(app)


def test_a_claim_says_the_agency_in_place_of_the_entry(two):
    listed(two, "Rillstone Valley EMS")
    settings = two.folder / "library.toml"
    settings.write_text('[sign_in]\nagency_claim = "org"\n', encoding="utf-8")
    assert "No sheet has been sent to you yet" in words(as_crew())
    settings.write_text('[sign_in]\nagency_claim = "not told"\n', encoding="utf-8")
    assert "does not say of which one agency" in words(as_crew())
