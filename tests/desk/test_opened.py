"""A case on the desk: clocks as set, corrections of one reading, outcomes that came later, a stored copy that was lost."""

import shutil

import pytest

from qi.desk.correcting import correction
from qi.desk.opened import UNREADABLE, clock_settings, corrections, open_case, review_of
from qi.library import place
from qi.model.errors import NoSuchCase, UnreadableFile
from qi.model.journal import SECOND

CLOCK = {"clock": "care_record.xml", "uncertainty_s": 5.0, "method": "by hand", "why": "told by phone"}


def write(library, key, kind, body, *, who="tester", **more):
    return library.write(key, kind, body, who=who, after=len(library.lines(key)), **more).number


def test_a_case_opens_as_its_files_tell_it(library, good):
    opened = open_case(library, good)
    assert opened.raw is opened.case
    assert opened.case.id == "rv-2031-0107"
    assert opened.protocol.name == "adult-2020"
    with pytest.raises(NoSuchCase):
        open_case(library, "nosuchcasehe")


def test_of_several_settings_of_a_clock_the_last_that_counts(library, good):
    first = write(library, good, "clock", CLOCK | {"offset_s": 30.0})
    second = write(library, good, "clock", CLOCK | {"offset_s": 60.0})
    (setting,) = clock_settings(library.lines(good))
    assert setting.offset_s == 60.0
    opened = open_case(library, good, (setting,))
    assert opened.case.clocks["care_record.xml"].offset_s == 60.0
    assert opened.raw.clocks["care_record.xml"].offset_s == 0.0
    write(library, good, "undo", {"undoes": second})
    assert clock_settings(library.lines(good))[0].offset_s == 30.0
    write(library, good, "undo", {"undoes": first})
    assert clock_settings(library.lines(good)) == ()


def test_each_reading_has_its_own_corrections_and_the_machine_none(library, good):
    opened = open_case(library, good)
    found = review_of(opened, [])
    for who, reading, start in (("first", 1, 100.0), ("second", SECOND, 700.0)):
        made = correction(found, "add", "pause", start, start + 20, why="seen", value="moving")
        write(library, good, "correction", made.record(), who=who, reading=reading)
    lines = library.lines(good)
    assert [one.span for one in corrections(opened, lines)] == [(100.0, 120.0)]
    assert [one.span for one in corrections(opened, lines, reading=SECOND)] == [(700.0, 720.0)]
    assert review_of(opened, lines, as_found=True).corrections == ()
    as_found = review_of(opened, lines, as_found=True)
    assert [one.value for one in as_found.numbers] == [one.value for one in found.numbers]


def test_an_outcome_that_came_later_is_in_the_facts_of_both_views_and_changes_no_process_number(library, good):
    opened = open_case(library, good)
    before = review_of(opened, [])
    library.join_outcomes("case,survived_to_discharge,cpc\nrv-2031-0107,yes,1\n", who="registrar")
    lines = library.lines(good)
    for view in (True, False):
        review = review_of(opened, lines, as_found=view)
        assert review.case.facts.outcome["survived_to_discharge"] is True
        assert review.case.facts.outcome["cpc"] == 1
        assert review.case.facts.outcome["sustained_rosc"] is True, "what the files told stays"
        assert [one.value for one in review.numbers] == [one.value for one in before.numbers]


def test_a_stored_copy_that_is_lost_or_cut_is_made_anew(library, good):
    whole = library.case(good)
    stored = place.stored_folder(library.folder, good)
    shutil.rmtree(stored)
    again = open_case(library, good).raw
    assert again.events.equals(whole.events)
    assert again.clocks == whole.clocks
    assert library.case(good).events.equals(whole.events), "it is kept again"
    cut = max(stored.rglob("*.*"), key=lambda path: path.stat().st_size)
    cut.chmod(0o600)
    cut.write_bytes(cut.read_bytes()[:100])
    again = open_case(library, good).raw
    assert all((one.pieces[0].values == two.pieces[0].values).all() for one, two in zip(again.signals, whole.signals, strict=True))


def test_why_originals_cannot_be_read_is_not_told_by_what_they_hold(library, good):
    shutil.rmtree(place.stored_folder(library.folder, good))
    folder = library.originals_folder(good)
    for path in folder.iterdir():
        path.chmod(0o600)
        path.write_bytes(b"JANE ROE, 54 years")
    with pytest.raises(UnreadableFile) as found:
        open_case(library, good)
    assert UNREADABLE in str(found.value)
    assert "JANE" not in str(found.value)
    assert "JANE" in str(found.value.__cause__)  # as whoever brings files in, or rebuilds the library, is told
