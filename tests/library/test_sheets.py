"""Sheets in the library: written until sent, then as they were; found by those they were sent to and by nobody else."""

from datetime import timedelta

import pytest

from qi.model.errors import Locked, NoSuchCase, QiError
from tests.library.made_cases import NOON, Clock, bring_in

BODY = {"format": 1, "words": "é — as written"}


@pytest.fixture
def key(library, tmp_path):
    """A signed case."""
    library.now = Clock()
    made = bring_in(library, tmp_path)
    library.sign(made, {"n": 1}, who="M. Ortiz", after=0)
    return made


def test_a_sheet_is_written_over_until_it_is_sent(library, key):
    first = library.save_sheet(key, 1, BODY, who="M. Ortiz")
    again = library.save_sheet(key, 1, BODY | {"words": "other"}, who="R. Adeyemi")
    assert (first.number, again.number, first.body, first.sent_at) == (1, 1, BODY, None)
    assert [(one.number, one.body["words"], one.made_by) for one in library.sheets(key)] == [(1, "other", "R. Adeyemi")]


def test_the_log_says_who_changed_what_the_crew_will_read(library, key):
    library.save_sheet(key, 1, BODY, who="M. Ortiz")
    library.save_sheet(key, 1, BODY | {"words": "other"}, who="R. Adeyemi")
    library.save_sheet(key, 1, BODY | {"words": "other"}, who="T. Lund")
    library.send_sheet(key, 1, ["C-1"], who="T. Lund")
    library.save_sheet(key, 1, BODY | {"words": "other"}, who="T. Lund")
    told = [(line.who, line.did, line.what) for line in reversed(library.log_lines(case=key)) if line.what.startswith("sheet")]
    changed = ("changed", "sheet, draft")
    assert told == [("M. Ortiz", *changed), ("R. Adeyemi", *changed), ("T. Lund", "sent", "sheet"), ("T. Lund", *changed)]
    assert library.verify_log() == []


def test_a_sent_sheet_stays_and_the_next_has_a_number_of_its_own(library, key):
    library.save_sheet(key, 1, BODY, who="M. Ortiz")
    sent = library.send_sheet(key, 1, ["C-2", " C-1 ", "C-1", ""], who="M. Ortiz")
    assert (sent.sent_by, dict(sent.crew)) == ("M. Ortiz", {"C-1": None, "C-2": None})
    assert sent.sent_at > NOON
    library.save_sheet(key, 1, {"words": "new"}, who="M. Ortiz")
    assert [(one.number, one.body) for one in library.sheets(key)] == [(1, BODY), (2, {"words": "new"})]
    with pytest.raises(Locked, match="sheet 1 was sent and stays as it is"):
        library.send_sheet(key, 1, ["C-9"], who="M. Ortiz")
    assert library.sheets(key)[0] == sent


def test_the_journal_and_the_log_say_that_it_was_sent(library, key):
    library.save_sheet(key, 1, BODY, who="M. Ortiz")
    library.send_sheet(key, 1, ["C-1"], who="M. Ortiz")
    assert [(line.kind, line.who, line.body) for line in library.lines(key)][-1] == ("feedback", "M. Ortiz", {"how": "sheet 1"})
    assert library.about(key).feedback_at is not None
    library.mark_read(key, 1, ["C-1"], who="a")
    library.answer_sheet(key, 1, ["C-1"], "Thank you.", who="a")
    told = [(line.did, line.what) for line in library.log_lines(case=key)]
    told = [one for one in told if one[0] in ("sent", "read", "answered")]
    assert sorted(told) == [("answered", "sheet"), ("read", "sheet"), ("sent", "sheet")]
    assert library.verify_log() == []


def test_it_is_read_once_and_by_those_it_was_sent_to(library, key):
    library.save_sheet(key, 1, BODY, who="M. Ortiz")
    library.send_sheet(key, 1, ["C-1", "C-2"], who="M. Ortiz")
    library.mark_read(key, 1, ["c-1 "], who="a")
    first = library.sheets(key)[0].crew["C-1"]
    library.mark_read(key, 1, ["C-1"], who="a")
    crew = library.sheets(key)[0].crew
    assert crew == {"C-1": first, "C-2": None}
    assert first - NOON < timedelta(hours=1)
    for act in (library.mark_read, lambda *given, who: library.answer_sheet(*given, "x", who=who)):
        with pytest.raises(QiError, match="not sent to you"):
            act(key, 1, ["C-3"], who="a")
        with pytest.raises(QiError, match="not sent to you"):
            act(key, 1, [], who="a")


def test_answers_are_kept_in_order_and_count_as_read(library, key):
    library.save_sheet(key, 1, BODY, who="M. Ortiz")
    library.send_sheet(key, 1, ["C-1", "C-2"], who="M. Ortiz")
    library.answer_sheet(key, 1, ["C-2"], "  The lift was small.\n", who="b")
    library.answer_sheet(key, 1, ["C-1"], "We changed at the door.", who="a")
    one = library.sheets(key)[0]
    assert [(answer.crew, answer.text) for answer in one.answers] == [
        ("C-2", "The lift was small."),
        ("C-1", "We changed at the door."),
    ]
    assert all(one.crew.values())
    for text in ("  ", "x" * 4001):
        with pytest.raises(QiError, match="1 to 4000"):
            library.answer_sheet(key, 1, ["C-1"], text, who="a")


def test_a_person_finds_their_own_sheets_alone_the_last_first(library, key, tmp_path):
    other = bring_in(library, tmp_path, "RV-2")
    library.sign(other, {"n": 1}, who="M. Ortiz", after=0)
    for case, crew in ((key, ["C-1"]), (other, ["C-1", "C-2"])):
        library.save_sheet(case, 1, BODY, who="M. Ortiz")
        assert library.sheets_for(crew) == ([] if case == key else library.sheets_for(["C-1"]))
        library.send_sheet(case, 1, crew, who="M. Ortiz")
    assert [one.case_key for one in library.sheets_for(["c-1"])] == [other, key]
    assert [one.case_key for one in library.sheets_for(["C-2"])] == [other]
    assert library.sheets_for(["C-3"]) == library.sheets_for([]) == library.sheets_for([""]) == []


def test_a_case_whose_record_names_no_crew_is_handed_over_by_other_means(library, key):
    library.save_sheet(key, 1, BODY, who="M. Ortiz")
    assert library.send_sheet(key, 1, [], who="M. Ortiz").crew == {}


def test_only_a_signed_version_has_a_sheet(library, tmp_path):
    fresh = bring_in(library, tmp_path)
    with pytest.raises(QiError, match="no signed version 1"):
        library.save_sheet(fresh, 1, BODY, who="M. Ortiz")
    with pytest.raises(QiError, match="no sheet 1"):
        library.send_sheet(fresh, 1, [], who="M. Ortiz")
    with pytest.raises(NoSuchCase):
        library.sheets("nosuchcase00")


def test_removing_a_case_removes_its_sheets(library, key):
    library.save_sheet(key, 1, BODY, who="M. Ortiz")
    library.send_sheet(key, 1, ["C-1"], who="M. Ortiz")
    library.answer_sheet(key, 1, ["C-1"], "An answer.", who="a")
    library.remove(key, who="M. Ortiz")
    assert library.sheets_for(["C-1"]) == []
