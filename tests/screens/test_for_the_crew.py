"""For the crew, and My sheets, on screen: the sheet of a signed case, changed, sent once, read and answered by its crew alone."""

import time

import pytest

from qi.desk import signing
from qi.desk.opened import open_case, review_of
from tests.screens.acting import named, names
from tests.screens.conftest import SAMPLES, words
from tests.screens.test_roles import one_screen

CASE = "rv-2031-0107"
CREW = {"C-104": "j.weller@example.org", "C-233": "a.brandt@example.org", "C-999": "stranger@example.org"}


def sign(shelf, case_id):
    key = shelf.key(case_id)
    opened, lines = open_case(shelf.library, key), shelf.library.lines(key)
    last = lines[-1].number if lines else 0
    signing.sign(shelf.library, opened, lines, review_of(opened, lines), who="M. Ortiz", after=last)
    return key


def shown(app):
    """The sheets that stand on the page."""
    return [element.proto.body for element in app.get("html") if "crew-sheet" in element.proto.body]


def downloads(app):
    return {button.label: button for button in app.get("download_button")}


@pytest.fixture
def signed(own):
    sign(own, CASE)
    return own


@pytest.fixture
def sent(signed):
    """The sheet was sent, and three people are listed, two of whom were on the case."""
    app = signed.opened("for_the_crew", CASE)
    named(app.button, "send-sheet").click().run()
    assert not app.exception
    for number, subject in CREW.items():
        signed.library.people.add(subject, name=subject.partition("@")[0], roles=["crew"], crew_ids=[number], who="tests")
    return signed


def as_crew(number, **query):
    email = CREW[number]
    user = {"is_logged_in": True, "sub": email, "email": email, "email_verified": True, "name": email, "iat": int(time.time())}
    return one_screen(user, "my_sheets", **query)


def test_an_unsigned_case_has_no_sheet_and_it_says_so(own):
    app = own.opened("for_the_crew", CASE)
    assert not app.exception
    assert not shown(app)
    assert "not signed yet" in words(app)
    assert "quality improvement only" in words(app)


def test_the_sheet_is_shown_as_the_crew_will_get_it(signed):
    app = signed.opened("for_the_crew", CASE)
    assert not app.exception
    page = shown(app)[0]
    for part in ("What went well", "One thing to work on next time", "The three errors", "Questions for the debrief"):
        assert part in page
    assert "<script" not in page
    assert "C-104" not in page
    assert "@page { size: a4;" in page
    assert set(downloads(app)) == {"PDF", "Web page"}
    assert "quality improvement only" in words(app)


@pytest.mark.parametrize("case", ["rv-2031-0118", "rv-2031-0131"])
def test_a_case_without_crew_or_of_a_child_has_one_too(place, own, case):
    own.bring(SAMPLES / case)
    sign(own, case)
    app = own.opened("for_the_crew", case)
    assert not app.exception
    assert shown(app)
    assert ("names no crew" in words(app)) == (case == "rv-2031-0118")


def test_words_are_changed_left_out_and_added(signed):
    app = signed.opened("for_the_crew", CASE)
    named(app.text_area, "text-errors.recoil").set_value("The chest came up well.")
    named(app.checkbox, "out-went_well.2").check()
    named(app.text_area, "add-questions").set_value("How did the stairs go?")
    next(button for button in app.button if button.label == "Keep these words").click()
    app.run()
    assert not app.exception
    page = shown(app)[0]
    assert "The chest came up well. <span" in page
    assert page.count("(the reviewer’s words)") == 2
    assert "How did the stairs go?" in page
    kept = signed.library.sheets(signed.key(CASE))
    assert len(kept) == 1
    assert len(kept[0].body["went_well"]) == 3
    assert named(app.text_area, "add-questions").value == ""
    named(app.button, "afresh").click().run()
    assert "(the reviewer’s words)" not in shown(app)[0]


def test_an_empty_sentence_is_refused_in_words_and_nothing_is_kept(signed):
    app = signed.opened("for_the_crew", CASE)
    named(app.text_area, "text-errors.recoil").set_value("  ")
    next(button for button in app.button if button.label == "Keep these words").click()
    app.run()
    assert "1 to 600 characters" in words(app)
    assert signed.library.sheets(signed.key(CASE)) == []


def test_it_is_sent_once_and_the_case_is_done(sent):
    app = sent.opened("for_the_crew", CASE)
    assert "send-sheet" not in names(app.button)
    assert "Read by 0 of 3" in words(app)
    assert sent.library.about(sent.key(CASE)).status == "done"
    named(app.text_area, "text-errors.recoil").set_value("Other words.")
    next(button for button in app.button if button.label == "Keep these words").click()
    app.run()
    assert [one.number for one in sent.library.sheets(sent.key(CASE))] == [1, 2]
    assert named(app.button, "send-sheet").label == "Send to the crew"


def test_a_reopened_case_says_that_the_sheet_is_of_the_signed_version(signed):
    key = signed.key(CASE)
    signed.library.reopen(key, "another look", who="M. Ortiz", after=signed.lines(CASE)[-1].number)
    assert "The case was reopened since" in words(signed.opened("for_the_crew", CASE))


def test_the_crew_reads_and_answers_and_the_reviewer_sees_it(sent):
    mine = as_crew("C-104")
    assert not mine.exception
    assert "What went well" in shown(mine)[0]
    named(mine.button, "mark-read").click().run()
    assert "You have marked this sheet as read." in words(mine)
    named(mine.text_area, "answer-text").set_value("We changed at the door.")
    next(button for button in mine.button if button.label == "Send the answer").click()
    mine.run()
    assert not mine.exception
    assert "We changed at the door." in [one.value for one in mine.text]
    reviewer = sent.opened("for_the_crew", CASE)
    assert "Read by 1 of 3: crew member 1" in words(reviewer)
    assert "We changed at the door." in [one.value for one in reviewer.text]
    assert "C-104" not in words(reviewer)
    assert "weller" not in words(reviewer)
    other = as_crew("C-233")
    assert "We changed at the door." not in [one.value for one in other.text], "what others answer is for the reviewer"
    assert "mark-read" in names(other.button)


def test_who_was_not_on_the_case_finds_nothing_whatever_the_address(sent):
    app = as_crew("C-999", case=sent.key(CASE), sheet="1")
    assert not app.exception
    assert not shown(app)
    assert "No sheet has been sent to you yet." in words(app)


def test_a_draft_is_not_to_be_seen_by_the_crew(sent):
    app = sent.opened("for_the_crew", CASE)
    named(app.text_area, "text-errors.recoil").set_value("Not meant for you yet.")
    next(button for button in app.button if button.label == "Keep these words").click()
    app.run()
    mine = as_crew("C-104")
    assert "Not meant for you yet." not in shown(mine)[0]
    assert len(mine.selectbox(key="my-sheet").options) == 1


def test_crew_may_not_open_the_reviewer_s_page(sent):
    email = CREW["C-104"]
    user = {"is_logged_in": True, "sub": email, "email": email, "email_verified": True, "name": email, "iat": int(time.time())}
    app = one_screen(user, "for_the_crew", case=sent.key(CASE))
    assert "Not for this account" in words(app)
    assert not shown(app)


def test_the_log_says_who_opened_a_sheet_once_a_session(sent):
    key = sent.key(CASE)
    app = as_crew("C-104")
    app.run()
    opened = [(line.case, line.what) for line in sent.library.log_lines(did="opened")]
    assert opened.count((key, "sheet")) == 1
    assert opened.count((key, "feedback")) == 1
