"""Whom mail about a sheet goes to, and what is kept of it, on each kind of database."""

from datetime import timedelta

import pytest

from qi.library.mailed import NO_ADDRESS, SEVERAL, MailKept, Recipient
from qi.model.errors import QiError
from tests.library.made_cases import NOON, bring_in

WELLER = "j.weller@rillstone.example"


@pytest.fixture
def key(library, tmp_path):
    """A signed case with a sheet that went to two crew numbers, and a second sheet that did not go yet."""
    made = bring_in(library, tmp_path)
    library.sign(made, {"n": 1}, who="M. Ortiz", after=0)
    library.save_sheet(made, 1, {"words": "x"}, who="M. Ortiz")
    library.send_sheet(made, 1, ["C-17", "C-20"], who="M. Ortiz")
    library.save_sheet(made, 1, {"words": "y"}, who="M. Ortiz")
    return made


def test_addresses_come_from_the_list_of_people_as_it_stands(library, key):
    assert library.mail_to(key, 1) == [Recipient("C-17", "", NO_ADDRESS), Recipient("C-20", "", NO_ADDRESS)]
    library.people.add(f" {WELLER.upper()}", name="J. Weller", roles=["crew"], crew_ids=["c-17", "C-9"], who="x")
    library.people.add("sub-20", name="P. Ortiz", roles=["crew"], crew_ids=["C-20"], who="x")
    assert library.mail_to(key, 1) == [Recipient("C-17", WELLER, ""), Recipient("C-20", "", NO_ADDRESS)]
    library.people.add("p.ortiz@rillstone.example", name="P. Ortiz", roles=["crew"], crew_ids=["C-20", "C-17"], who="x")
    assert library.mail_to(key, 1) == [Recipient("C-17", "", SEVERAL), Recipient("C-20", "p.ortiz@rillstone.example", "")]
    library.people.end(WELLER, who="x")
    assert [one.address for one in library.mail_to(key, 1)] == ["p.ortiz@rillstone.example"] * 2


def test_what_came_of_it_is_kept_by_crew_number(library, key):
    assert library.mail_kept(key, 1) == {"C-17": MailKept(None, ""), "C-20": MailKept(None, "")}
    library.keep_mailed(key, 1, {"C-17": "", "C-20": NO_ADDRESS}, who="M. Ortiz", at=NOON)
    library.keep_mailed(key, 1, {"C-17": "refused"}, who="M. Ortiz", at=NOON + timedelta(days=1))
    assert library.mail_kept(key, 1) == {"C-17": MailKept(NOON, "refused"), "C-20": MailKept(None, NO_ADDRESS)}
    library.keep_mailed(key, 1, {}, who="M. Ortiz", at=NOON)
    assert [(line.did, line.case, line.at) for line in library.log_lines() if line.what == "mail"] == [("sent", key, NOON)]
    assert library.verify_log() == []


def test_nothing_of_another_sheet_or_crew_number_is_kept(library, key):
    with pytest.raises(QiError, match="sheet 2 was not sent"):
        library.mail_to(key, 2)
    for number, crew in ((2, "C-17"), (1, "C-9")):
        with pytest.raises(QiError, match="was not sent to one of these"):
            library.keep_mailed(key, number, {crew: ""}, who="M. Ortiz", at=NOON)
    with pytest.raises(QiError, match="was not sent to one of these"):
        library.keep_mailed(key, 1, {"C-17": "", "C-9": ""}, who="M. Ortiz", at=NOON)
    assert library.mail_kept(key, 1)["C-17"].mailed_at is None, "all of it or nothing"
    assert [line for line in library.log_lines() if line.what == "mail"] == []


def test_removing_the_case_removes_what_was_kept(library, key):
    library.keep_mailed(key, 1, {"C-17": ""}, who="M. Ortiz", at=NOON)
    library.remove(key, who="M. Ortiz")
    assert library.mail_kept(key, 1) == {}
