"""Everything computed made anew from originals and journal; originals held against their digests."""

import shutil

from qi.desk import cohort, upkeep
from qi.desk.bring_in import bring_in, summary
from qi.desk.opened import open_case, review_of
from qi.library import place
from qi.model.errors import QiError
from qi.trends import cohort_store as store
from qi.trends.cohort import read, read_events
from tests.desk.conftest import AGENCY, SAMPLES


def test_a_library_that_was_rebuilt_is_as_it_was(library, good):
    bring_in(library, SAMPLES / "rv-2031-0131", who="tester", agency=AGENCY)
    library.write(good, "finding", {"kind": "other", "text": "seen"}, who="tester", after=0)
    entries, cases = library.entries(), {key: library.case(key) for key in library.keys()}
    for key in cases:
        shutil.rmtree(place.stored_folder(library.folder, key))
    told = list(upkeep.rebuild(library))
    assert sorted(told) == [(2, "rv-2031-0107", ""), (2, "rv-2031-0131", "")]
    assert library.entries() == entries
    for key, case in cases.items():
        again = library.case(key)
        assert again.events.equals(case.events)
        assert again.clocks == case.clocks
        assert again.facts == case.facts
        assert again.start == case.start
    assert [line.kind for line in library.lines(good)] == ["finding"]


def test_a_rebuild_makes_the_cohort_table_anew_as_well(library, good):
    """A row of which nobody knows whence is another than the case's own, and nothing in the journal tells that."""
    table = cohort.folder(library)
    before = read(table)
    pauses, shocks = (read_events(table, name) for name in ("pauses", "shocks"))
    store.put(table, before.assign(compression_fraction=0.5), pauses, shocks)
    assert list(cohort.build(library)) == []
    assert [trouble for _, _, trouble in upkeep.rebuild(library)] == [""]
    after = read(table)
    assert after["compression_fraction"].tolist() == before["compression_fraction"].tolist() != [0.5]


def test_a_case_that_the_cohort_table_cannot_have_is_named(library, good, monkeypatch):
    def broken(*given, **named):
        raise QiError("cannot be measured")

    monkeypatch.setattr(cohort, "rows_of", broken)
    assert list(upkeep.rebuild(library)) == [
        (1, "rv-2031-0107", ""),
        (1, "rv-2031-0107", "not in the cohort table: cannot be measured"),
    ]


def test_what_cannot_be_made_anew_is_named_and_stops_nothing(library, good):
    other = bring_in(library, SAMPLES / "rv-2031-0131", who="tester", agency=AGENCY).key
    before = library.about(good)
    for path in library.originals_folder(good).iterdir():
        path.chmod(0o600)
        path.write_bytes(path.read_bytes()[:50])
    told = {case_id: trouble for _, case_id, trouble in upkeep.rebuild(library)}
    assert told["rv-2031-0131"] == ""
    assert "could be read" in told["rv-2031-0107"]
    assert library.about(good) == before
    assert library.case(other).id == "rv-2031-0131"


def test_originals_are_held_against_their_digests(library, good):
    assert list(upkeep.check(library)) == [(1, "rv-2031-0107", [])]
    folder = library.originals_folder(good)
    (folder / "monitor.edf").chmod(0o600)
    (folder / "monitor.edf").write_bytes(b"other")
    (folder / "care_record.xml").chmod(0o600)
    (folder / "care_record.xml").unlink()
    ((_, _, troubles),) = upkeep.check(library)
    assert len(troubles) == 2
    assert {trouble.partition(" ")[0].rstrip(":") for trouble in troubles} == {"monitor.edf", "care_record.xml"}


def test_a_summary_says_who_ran_the_call_and_why_it_comes_first(library, good):
    told = summary(review_of(open_case(library, good), []))
    assert (told.station, told.shift, told.unit) == ("3", "B", "Medic 31")
    assert told.concern_words == library.about(good).concern_words
