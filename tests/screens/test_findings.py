"""Findings and sign-off on screen: written, tied, withdrawn; signed, locked, reopened; excluded with a reason; feedback."""

import pytest

from qi.desk.opened import open_case, review_of
from qi.model.journal import EXCLUSIONS
from tests.screens.acting import named, names, pointing
from tests.screens.conftest import SAMPLES, words

CASE = "rv-2031-0107"


def click(app, label):
    next(button for button in app.button if button.label == label).click()
    return app.run()


def status(shelf):
    return shelf.library.about(shelf.key(CASE))


def test_a_finding_is_tied_to_the_stretch_selected_and_to_a_measure(own, monkeypatch):
    pointing(monkeypatch, {"stretch_s": (200.0, 230.0)})
    app = own.opened("walkthrough", CASE)
    tied = next(box for box in app.checkbox if box.label.startswith("Tied to"))
    assert tied.value
    assert " to " in tied.label.removeprefix("Tied to ")
    next(one for one in app.selectbox if one.label == "Kind").select("work_on")
    next(one for one in app.selectbox if one.label == "About").select("compression_fraction")
    app.text_area[0].set_value("  Hands off while the pads were looked at. ")
    click(app, "Write the finding")
    assert not app.exception
    (line,) = own.lines(CASE)
    assert (line.kind, line.who) == ("finding", "tester")
    body = line.body
    assert (body["kind"], body["text"]) == ("work_on", "Hands off while the pads were looked at.")
    assert (body["start_s"], body["end_s"], body["measure"]) == (200.0, 230.0, "compression_fraction")
    assert body["anchor"] == "monitor.edf"
    said = words(app)
    assert "**To work on** at 2:56 to 3:26 · Compression fraction" in said


def test_a_finding_stays_tied_to_what_the_form_showed(own, monkeypatch):
    """The close-up is a part of the page that runs alone: what is chosen there while a finding is written does not move it."""
    pointing(monkeypatch, {"moment_s": 100.0}, {"moment_s": 500.0})
    app = own.opened("walkthrough", CASE)
    app.text_area[0].set_value("Compressions went on while the pads were put on")
    click(app, "Write the finding")
    (line,) = own.lines(CASE)
    assert line.body["start_s"] == 100.0


def test_the_moment_chosen_later_is_taken_when_asked_for(own, monkeypatch):
    pointing(monkeypatch, {}, {"moment_s": 500.0})
    app = own.opened("walkthrough", CASE)
    tied = next(box for box in app.checkbox if box.label.startswith("Tied to"))
    assert (tied.label, tied.disabled, tied.value) == ("Tied to no moment", True, False)
    named(app.button, "take-moment").click().run()
    assert next(box for box in app.checkbox if box.label.startswith("Tied to")).label == "Tied to 7:56"


def test_a_finding_without_words_or_untied(own):
    app = own.opened("walkthrough", CASE, t="130.0")
    app.text_area[0].set_value("   ")
    click(app, "Write the finding")
    assert own.lines(CASE) == []
    next(box for box in app.checkbox if box.label.startswith("Tied to")).uncheck()
    app.text_area[0].set_value("The team leader said aloud who does what")
    click(app, "Write the finding")
    (line,) = own.lines(CASE)
    assert line.body["start_s"] is None
    assert "measure" not in line.body or line.body["measure"] is None
    assert "Go there" not in [button.label for button in app.button]


def test_a_finding_leads_to_its_moment(own):
    app = own.opened("walkthrough", CASE, t="130.0")
    app.text_area[0].set_value("Charged while compressions went on")
    click(app, "Write the finding")
    app.query_params["t"] = "700.0"
    app.run()
    named(app.button, "go-1").click().run()
    assert app.query_params["t"] in ("130.0", ["130.0"])


def test_a_finding_is_withdrawn(own):
    app = own.opened("walkthrough", CASE, t="130.0")
    app.text_area[0].set_value("Charged while compressions went on")
    click(app, "Write the finding")
    assert "Went well" in words(app)
    (line,) = own.lines(CASE)
    assert line.body["start_s"] == pytest.approx(130.0)
    named(app.button, "withdraw-1").click().run()
    assert not app.exception
    assert [one.kind for one in own.lines(CASE)] == ["finding", "finding_withdrawn"]
    assert "No finding has been written yet" in words(app)


def test_signing_keeps_version_and_numbers_and_locks_reopening_makes_the_next(own, monkeypatch):
    key = own.key(CASE)
    app = own.opened("walkthrough", CASE, t="130.0")
    app.text_area[0].set_value("Charged while compressions went on")
    click(app, "Write the finding")
    named(app.button, "sign").click().run()
    assert not app.exception
    assert "**Version 1 is signed** by tester" in words(app)
    labels = [button.label for button in app.button]
    assert not {"Withdraw", "Write the finding", "Exclude"} & set(labels)
    assert named(app.button, "reopen").disabled, "reopening asks for a reason"
    (first,) = own.library.versions(key)
    review = review_of(open_case(own.library, key), own.library.lines(key))
    kept = {(one["id"], one.get("of"), one.get("from")): one["value"] for one in first.record["measures"]}
    assert len(kept) == len(review.numbers)
    for judged in review.numbers:
        value = kept[judged.id, judged.of, judged.from_]
        assert value is None if judged.value is None else value == pytest.approx(judged.value, rel=1e-4, abs=1e-4)
    named(app.text_input, "why-reopen").set_value("the crew brought their notes").run()
    named(app.button, "reopen").click().run()
    assert "**Version 2 is open.**" in words(app)
    assert own.lines(CASE)[-1].body["why"] == "the crew brought their notes"
    pointing(monkeypatch, {"edit": {"act": "add", "subject": "pause", "start_s": 100.0, "end_s": 130.0, "serial": 1}})
    app = own.opened("walkthrough", CASE)
    named(app.button, "sign").click().run()
    assert not app.error
    one, two = own.library.versions(key)
    assert (one.version, two.version) == (1, 2)
    assert one == first, "what was signed stays as it was"
    versions = next(frame.value for frame in app.dataframe if "signed by" in frame.value.columns)
    assert versions["version"].tolist() == [1, 2]
    assert versions["longest pause"].tolist()[1] == "30.0 s"
    assert versions["longest pause"].tolist()[0] != "30.0 s"


@pytest.mark.parametrize("case", sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir()))
def test_every_sample_case_can_be_signed(place, case):
    from tests.screens.conftest import Shelf

    shelf = Shelf(place)
    shelf.bring(SAMPLES / case)
    number = shelf.library.entries()[0].case_id
    app = shelf.opened("walkthrough", number)
    named(app.button, "sign").click().run()
    assert not app.exception
    assert not app.error
    assert shelf.library.entries()[0].status == "signed"
    shelf.library.close()


def test_nobody_signs_what_they_have_not_seen(own):
    key = own.key(CASE)
    app = own.opened("walkthrough", CASE)
    body = {"action": "add", "subject": "pause", "start_s": 100.0, "end_s": 130.0, "why": "seen"}
    own.library.write(key, "correction", body, who="another desk", after=0)
    named(app.button, "sign").click().run()
    assert "Not written: another desk wrote a correction" in words(app)
    assert status(own).status == "in_review"
    assert "30 s" in words(app), "what was written meanwhile is on the page now"
    named(app.button, "sign").click().run()
    assert status(own).status == "signed"


def test_a_case_is_excluded_for_a_reason_of_the_list_or_in_words_and_taken_back(own):
    app = own.opened("walkthrough", CASE)
    assert named(app.selectbox, "exclusion").options == list(EXCLUSIONS.values())
    named(app.selectbox, "exclusion").select("other").run()
    assert named(app.button, "exclude").disabled
    named(app.text_input, "exclusion-words").set_value("a training call").run()
    named(app.button, "exclude").click().run()
    assert not app.exception
    (line,) = own.lines(CASE)
    assert (line.body["reason"], line.body["why"]) == ("other", "a training call")
    assert "**Excluded:** another reason, in words (a training call)" in words(app)
    assert status(own).excluded == "other"
    named(app.button, "include").click().run()
    assert (status(own).excluded, status(own).status) == ("", "waiting")


def test_feedback_is_told_with_how_and_counts_the_days(own):
    app = own.opened("walkthrough", CASE)
    named(app.button, "sign").click().run()
    assert named(app.button, "feedback").disabled
    named(app.text_input, "feedback-how").set_value("at the station").run()
    named(app.button, "feedback").click().run()
    assert not app.exception
    assert own.lines(CASE)[-1].body["how"] == "at the station"
    assert status(own).status == "done"
    assert "The crew had feedback on" in words(app)


def test_a_finding_of_another_desk_is_not_withdrawn_unseen(own):
    key = own.key(CASE)
    own.library.write(key, "finding", {"kind": "other", "text": "first"}, who="another desk", after=0)
    app = own.opened("walkthrough", CASE)
    own.library.write(key, "finding_withdrawn", {"of": 1, "why": "no"}, who="another desk", after=1)
    own.library.write(key, "finding", {"kind": "other", "text": "second"}, who="another desk", after=2)
    assert "withdraw-1" in names(app.button)
    app.text_area[0].set_value("third")
    click(app, "Write the finding")
    assert "Not written" in words(app)
    assert [line.kind for line in own.lines(CASE)] == ["finding", "finding_withdrawn", "finding"]
