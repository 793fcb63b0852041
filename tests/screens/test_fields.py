"""What is typed or pressed for one case is never another's: on each page about a case, in each reading, for each sheet."""

import shutil
import time

import pytest

from qi.desk import sheets
from tests.screens.acting import named, names, pointing
from tests.screens.conftest import SAMPLES, Shelf, words
from tests.screens.test_clocks import shifted
from tests.screens.test_for_the_crew import sign
from tests.screens.test_roles import one_screen
from tests.screens.test_worklist import listed, opened, select, write  # noqa: F401 - a fixture

A, B = "rv-2031-0107", "rv-2031-0118"
KINDS = ("button", "text_input", "text_area", "number_input", "selectbox", "checkbox", "radio", "data_editor")
OF_THE_PAGE = {"who", "case-choice", "previous", "next"}  # who reviews, which case, and the way through it


@pytest.fixture(scope="module")
def two_made(own_made, tmp_path_factory):
    """Folder of a library with two cases of a crew."""
    shelf = Shelf(shutil.copytree(own_made, tmp_path_factory.mktemp("two") / "made"))
    shelf.bring(SAMPLES / B)
    shelf.library.close()
    return shelf.folder


@pytest.fixture
def two(place, two_made):
    one = Shelf(shutil.copytree(two_made, place))
    yield one
    one.library.close()


@pytest.fixture
def signed(two):
    for case in (A, B):
        sign(two, case)
    return two


def turn(app, shelf, case):
    """The same page goes on with another case, chosen in the sidebar."""
    app.selectbox(key="case-choice").set_value(shelf.key(case)).run()
    assert not app.exception
    return app


def press(app, label):
    next(button for button in app.button if button.label == label).click()
    return app.run()


def fields(app):
    """What can be typed into, chosen or pressed on a page, as Streamlit tells it apart, with its label."""
    found = [one for kind in KINDS for one in getattr(app, kind) if (one.key or "") not in OF_THE_PAGE]
    return {one.proto.id: getattr(one, "label", one.key) for one in found}


def in_both(one, other):
    return {one[id_] for id_ in one.keys() & other.keys()}


def pointing_at_a_stretch(monkeypatch):
    """A stretch is chosen in each case, and a moment stands in the address: the forms for both are on the page."""
    pointing(monkeypatch, *({"stretch_s": (100.0, 115.0)} for _ in range(9)))


@pytest.mark.parametrize("is_signed", [False, True])
@pytest.mark.parametrize("screen", ["walkthrough", "clocks", "for_the_crew"])
def test_no_field_of_a_case_is_one_of_another(two, monkeypatch, screen, is_signed):
    pointing_at_a_stretch(monkeypatch)
    for case in (A, B) if is_signed else ():
        sign(two, case)
    app = two.opened(screen, A)
    before = fields(app)
    assert before or screen != "walkthrough"
    assert in_both(before, fields(turn(app, two, B))) == set()


def test_no_field_of_a_reading_is_one_of_the_other(two, monkeypatch):
    pointing_at_a_stretch(monkeypatch)
    app = two.opened("walkthrough", A)
    before = fields(app)
    app.query_params["reading"] = "2"
    app.run()
    assert {"write-put-in", "finding-text"} <= names([*app.button, *app.text_area])
    assert in_both(before, fields(app)) == set()


def test_words_for_the_crew_of_a_case_are_not_kept_on_another(signed):
    app = signed.opened("for_the_crew", A)
    named(app.text_area, "text-errors.recoil").set_value("Words of the first case.")
    named(app.text_area, "add-questions").set_value("A question of the first case.")
    turn(app, signed, B)
    press(app, "Keep these words")
    assert not app.exception
    (kept,) = signed.library.sheets(signed.key(B))
    assert sheets.read(kept) == sheets.sheet_of(signed.library, signed.key(B))
    assert signed.library.sheets(signed.key(A)) == []


def test_a_press_that_was_on_its_way_when_the_case_changed_sends_nothing(signed):
    app = signed.opened("for_the_crew", A)
    named(app.button, "send-sheet").click()
    turn(app, signed, B)
    assert [signed.library.sheets(signed.key(case)) for case in (A, B)] == [[], []]


def another_desk_keeps(shelf, case, text):
    """Somebody else gives the sheet other words meanwhile."""
    key = shelf.key(case)
    review, version = sheets.signed(shelf.library, key)
    fresh = sheets.sheet_of(shelf.library, key)
    other = sheets.feedback.edited(fresh, {"errors.recoil": text})
    return sheets.keep(shelf.library, key, other, review, version, who="another desk")


def test_words_written_on_a_sheet_that_is_another_one_by_now_are_refused_in_plain_words(signed):
    app = signed.opened("for_the_crew", A)
    another_desk_keeps(signed, A, "Words of another desk.")
    named(app.text_area, "text-errors.recoil").set_value("Mine.")
    named(app.text_area, "text-errors.seal").set_value("The seal, as I saw it.")
    press(app, "Keep these words")
    assert not app.exception
    assert "another desk kept other words on" in app.warning[0].value
    (kept,) = signed.library.sheets(signed.key(A))
    assert (kept.made_by, "Mine." in str(kept.body), "as I saw it" in str(kept.body)) == ("another desk", False, False)
    assert named(app.text_area, "text-errors.recoil").value == "Words of another desk."
    assert named(app.text_area, "text-errors.seal").value == "The seal, as I saw it.", "nobody else changed that sentence"
    press(app, "Keep these words")
    assert not app.warning
    (kept,) = signed.library.sheets(signed.key(A))
    assert "Words of another desk." in str(kept.body)
    assert "The seal, as I saw it." in str(kept.body)


@pytest.mark.parametrize("name", ["send-sheet", "afresh"])
def test_a_sheet_that_nobody_has_read_as_it_is_now_is_neither_sent_nor_written_afresh(signed, name):
    another_desk_keeps(signed, A, "Words as they were.")
    app = signed.opened("for_the_crew", A)
    another_desk_keeps(signed, A, "Words of another desk.")
    named(app.button, name).click().run()
    assert "Nothing that was pressed meanwhile was done" in app.warning[0].value
    (kept,) = signed.library.sheets(signed.key(A))
    assert kept.sent_at is None
    assert "Words of another desk." in str(kept.body)
    named(app.button, name).click().run()
    assert not app.warning
    (kept,) = signed.library.sheets(signed.key(A))
    assert (kept.sent_at is not None) == (name == "send-sheet")
    assert ("Words of another desk." in str(kept.body)) == (name == "send-sheet")


def test_a_sheet_that_was_sent_or_signed_anew_meanwhile_says_so(signed):
    app = signed.opened("for_the_crew", A)
    kept = another_desk_keeps(signed, A, "Words of another desk.")
    signed.library.send_sheet(signed.key(A), kept.number, ["C-104"], who="another desk")
    named(app.text_area, "text-errors.recoil").set_value("Mine.")
    press(app, "Keep these words")
    assert "another desk sent it on" in app.warning[0].value
    signed.library.reopen(signed.key(A), "again", who="M. Ortiz", after=signed.lines(A)[-1].number)
    sign(signed, A)
    app.run()
    assert "made anew from the signed case" in app.warning[0].value
    assert len(signed.library.sheets(signed.key(A))) == 1


def test_an_answer_typed_under_a_sheet_is_not_sent_under_another(signed):
    for case in (A, B):
        key = signed.key(case)
        review, version = sheets.signed(signed.library, key)
        kept = sheets.keep(signed.library, key, sheets.sheet_of(signed.library, key), review, version, who="M. Ortiz")
        signed.library.send_sheet(key, kept.number, ["C-104"], who="M. Ortiz")
    signed.library.people.add("sub-7", name="J. Weller", roles=["crew"], crew_ids=["C-104"], who="tests")
    user = {"is_logged_in": True, "sub": "sub-7", "name": "J. Weller", "iat": int(time.time())}
    mine = one_screen(user, "my_sheets", case=signed.key(A), sheet="1")
    before = fields(mine)
    named(mine.text_area, "answer-text").set_value("We changed at the door.")
    mine.selectbox(key="my-sheet").set_value(f"{signed.key(B)}.1").run()
    press(mine, "Send the answer")
    assert not mine.exception
    answers = [sheet.answers for case in (A, B) for sheet in signed.library.sheets(signed.key(case))]
    assert answers == [(), ()]
    assert in_both(before, fields(mine)) == {"Sheet"}


def test_a_finding_begun_on_a_case_is_not_written_on_another(two):
    app = two.opened("walkthrough", A, t="130.0")
    named(app.text_area, "finding-text").set_value("Seen in the first case")
    named(app.selectbox, "finding-kind").select("work_on")
    turn(app, two, B)
    press(app, "Write the finding")
    assert [two.lines(case) for case in (A, B)] == [[], []]
    assert named(app.selectbox, "finding-kind").value == "went_well"


@pytest.mark.parametrize(
    ("is_signed", "typed", "pressed"),
    [(True, "why-reopen", "reopen"), (True, "feedback-how", "feedback"), (False, "exclusion-words", "")],
)
def test_a_reason_typed_for_a_case_is_not_there_for_another(two, is_signed, typed, pressed):
    for case in (A, B) if is_signed else ():
        sign(two, case)
    app = two.opened("walkthrough", A)
    named(app.text_input, typed).set_value("a reason of the first case").run()
    turn(app, two, B)
    assert named(app.text_input, typed).value == ""
    assert not pressed or named(app.button, pressed).disabled


def test_a_signature_that_was_on_its_way_when_the_case_changed_signs_neither(two):
    app = two.opened("walkthrough", A)
    named(app.button, "sign").click()
    turn(app, two, B)
    assert [two.lines(case) for case in (A, B)] == [[], []]


def test_a_correction_begun_on_a_case_is_not_written_on_another(two, monkeypatch):
    pointing_at_a_stretch(monkeypatch)
    app = two.opened("walkthrough", A)
    named(app.selectbox, "put-in-True").select("artefact").run()
    named(app.selectbox, "why-put-in").select("another reason …").run()
    named(app.text_input, "reason-put-in").set_value("of the first case").run()
    turn(app, two, B)
    assert named(app.selectbox, "put-in-True").value == "pause"
    assert named(app.selectbox, "why-put-in").value == "seen on the waveform"
    assert two.lines(B) == []


def test_a_drug_named_for_a_case_is_not_there_for_another(two, monkeypatch):
    pointing(monkeypatch, *({"moment_s": 130.0} for _ in range(9)))
    app = two.opened("walkthrough", A)
    named(app.selectbox, "put-in-False").select("drug").run()
    named(app.text_input, "drug-put-in").set_value("epinephrine").run()
    named(app.number_input, "dose-put-in").set_value(1.0).run()
    turn(app, two, B)
    named(app.selectbox, "put-in-False").select("drug").run()
    assert named(app.text_input, "drug-put-in").value == ""
    assert named(app.number_input, "dose-put-in").value is None


def test_a_clock_set_for_a_case_is_not_set_for_another(place, tmp_path):
    shelf = Shelf(place)
    shelf.bring(shifted(tmp_path / "late", 420))
    shelf.bring(SAMPLES / "rv-2031-0125")
    app = shelf.opened("clocks", "late")
    before = fields(app)
    named(app.text_input, "why-care_record.xml").set_value("checked for the first case").run()
    named(app.number_input, "offset-care_record.xml").set_value(-415.0).run()
    named(app.button, "set-care_record.xml").click()
    turn(app, shelf, "rv-2031-0125")
    assert [shelf.lines(case) for case in ("late", "rv-2031-0125")] == [[], []]
    assert named(app.text_input, "why-care_record.xml").value == ""
    alone = shelf.opened("clocks", "rv-2031-0125")
    offsets = [named(one.number_input, "offset-care_record.xml").value for one in (app, alone)]
    assert offsets[0] == offsets[1] != -415.0
    assert in_both(before, fields(app)) == set()
    shelf.library.close()


def test_cases_are_handed_over_as_they_were_chosen_whatever_the_list_is_by_then(listed):  # noqa: F811
    app = select(opened(), 0)
    assert named(app.button, "hand").label == "Hand 1 case to tester"
    write(listed, "RV-2", "excluded", {"reason": "trauma", "why": ""}, who="another desk")
    named(app.button, "hand").click().run()
    assert not app.exception
    assert [entry.assigned_to for entry in listed.entries()] == [""] * 4
    assert "has changed since cases were chosen" in words(app)
    select(app, 0)
    named(app.text_input, "hand-to").set_value("M. Ortiz").run()
    select(app, 1)
    assert named(app.text_input, "hand-to").value == "tester"
