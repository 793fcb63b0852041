"""Bringing in: what is new, what is there already, what joins a case and what must not; a zone that was typed stays."""

import re
import shutil
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from qi.desk import mapping, upkeep
from qi.desk.bring_in import bring_in, bring_in_all, match, number_in_header
from qi.desk.opened import open_case
from qi.intake.header import Given
from qi.intake.map_draft import propose
from qi.library import place
from qi.library.library import Library
from tests.desk.conftest import AGENCY, SAMPLES

GOOD = SAMPLES / "rv-2031-0107"


def folder(tmp_path, name, *files, source=GOOD):
    made = tmp_path / name
    made.mkdir(parents=True)
    for file in files:
        shutil.copy(source / file, made)
    return made


def cases(library):
    return sorted(entry.case_id for entry in library.entries())


def test_a_case_comes_in_whole_and_is_recognised_whatever_it_is_called(library, tmp_path):
    first = bring_in(library, GOOD, who="tester", agency=AGENCY)
    assert (first.how, first.case_id, first.said) == ("new", "rv-2031-0107", "brought in as rv-2031-0107: 3 files")
    again = shutil.copytree(GOOD, tmp_path / "copy of it")
    second = bring_in(library, again, who="somebody else", agency=AGENCY)
    assert (second.how, second.key) == ("same", first.key)
    part = bring_in(library, folder(tmp_path, "part", "monitor.edf"), who="tester")
    assert (part.how, part.key) == ("same", first.key)
    entry = library.about(first.key)
    assert (entry.entered_by, entry.station, entry.shift, entry.unit) == ("tester", "3", "B", "Medic 31")
    assert entry.concern_words
    assert library.lines(first.key) == []
    kept = library.originals_folder(first.key)
    assert {path.name: path.read_bytes() for path in kept.iterdir()} == {path.name: path.read_bytes() for path in GOOD.iterdir()}


def test_a_file_that_comes_later_joins_its_case_by_number_and_by_content(library, tmp_path):
    early = folder(tmp_path / "one", "rv-2031-0107", "monitor.edf")
    key = bring_in(library, early, who="tester", agency=AGENCY).key
    assert library.about(key).unit is None
    late = folder(tmp_path / "two", "rv-2031-0107", "care_record.xml")
    done = bring_in(library, late, who="clerk", agency=AGENCY)
    assert (done.how, done.key, done.said) == ("grown", key, "1 file added to rv-2031-0107")
    whole = bring_in(library, shutil.copytree(GOOD, tmp_path / "three"), who="tester", agency=AGENCY)
    assert (whole.how, whole.key) == ("grown", key)
    assert [line.body["added"] for line in library.lines(key)] == [["care_record.xml"], ["case.toml"]]
    assert library.about(key).unit == "Medic 31"
    assert library.check(key) == []
    straight = bring_in(library, GOOD, who="tester", agency="the same, from nothing", into=None)
    assert straight.how == "same"


def test_a_case_that_grew_is_the_case_that_came_in_at_once(library, tmp_path):
    key = bring_in(library, folder(tmp_path, "rv-2031-0107", "monitor.edf"), who="tester").key
    bring_in(library, GOOD, who="tester")
    with Library.open(tmp_path / "other") as other:
        whole = other.case(bring_in(other, GOOD, who="tester").key)
    grown = library.case(key)
    assert grown.start == whole.start
    assert grown.events.equals(whole.events)
    assert grown.clocks == whole.clocks
    assert {source.kind for source in grown.sources} == {source.kind for source in whole.sources} >= {"monitor", "record"}


def test_files_of_one_number_of_another_day_are_another_call(library, tmp_path):
    """Folders that are numbered anew each night: call-1 of Monday is not call-1 of Tuesday."""
    monday = bring_in(library, folder(tmp_path / "monday", "call-1", "monitor.edf"), who="tester", agency=AGENCY)
    tuesday = folder(tmp_path / "tuesday", "call-1", "monitor.edf", source=SAMPLES / "rv-2031-0125")
    done = bring_in(library, tuesday, who="tester", agency=AGENCY)
    assert (done.how, done.case_id) == ("new", "call-1")
    assert done.key != monday.key
    assert bring_in(library, tuesday, who="tester", agency=AGENCY).how == "same"
    assert [len(library.files(key)) for key in library.keys()] == [1, 1]


def test_one_log_of_dispatch_in_two_case_folders_does_not_join_them(library, tmp_path):
    source = SAMPLES / "rv-2031-0112"
    log = (source / "dispatch.csv").read_text(encoding="utf-8")
    keys = set()
    for name, file in (("first", "chest_and_airway.csv"), ("second", "capnogram.csv")):
        made = folder(tmp_path, name, file, source=source)
        (made / "dispatch.csv").write_text(log, encoding="utf-8")
        done = bring_in(library, made, who="tester", agency=AGENCY)
        assert done.how == "new", done.said
        keys.add(done.key)
    assert len(keys) == 2


def test_another_number_in_the_header_is_another_case_although_a_file_is_shared(library, tmp_path):
    bring_in(library, GOOD, who="tester", agency=AGENCY)
    made = folder(tmp_path, "other", "care_record.xml", "case.toml")
    header = (made / "case.toml").read_text(encoding="utf-8").replace("rv-2031-0107", "rv-2031-0999")
    (made / "case.toml").write_text(header, encoding="utf-8")
    done = bring_in(library, made, who="tester", agency=AGENCY)
    assert (done.how, done.case_id) == ("new", "rv-2031-0999")
    assert cases(library) == ["rv-2031-0107", "rv-2031-0999"]


def test_what_would_become_of_files_is_told_without_keeping_anything(library, tmp_path):
    early = folder(tmp_path, "rv-2031-0107", "monitor.edf")
    assert match(library, early, agency=AGENCY).how == "new"
    assert library.keys() == []
    key = bring_in(library, early, who="tester", agency=AGENCY).key
    found = match(library, GOOD, agency=AGENCY)
    assert (found.how, found.key, len(found.new_digests)) == ("shares files", key, 2)
    assert match(library, early, agency=AGENCY).how == "same"


def test_a_number_of_another_agency_is_another_case(library, tmp_path):
    bring_in(library, folder(tmp_path / "a", "7", "monitor.edf"), who="tester", agency=AGENCY)
    done = bring_in(library, folder(tmp_path / "b", "7", "care_record.xml"), who="tester", agency="Another EMS")
    assert done.how == "new"


def test_the_number_is_that_of_the_header_then_of_the_person_then_of_the_folder(tmp_path):
    assert number_in_header(GOOD) == "rv-2031-0107"
    assert number_in_header(folder(tmp_path, "plain", "monitor.edf")) is None
    assert number_in_header(GOOD / "monitor.edf") is None


@pytest.mark.parametrize("what", ["cut", "empty", "nothing", "missing"])
def test_what_cannot_be_read_is_refused_in_words_and_leaves_nothing(library, tmp_path, what):
    made = tmp_path / "bad"
    if what != "missing":
        made.mkdir()
    if what == "cut":
        (made / "monitor.edf").write_bytes((GOOD / "monitor.edf").read_bytes()[:200])
    if what == "empty":
        (made / "monitor.edf").write_bytes(b"")
    done = bring_in(library, made, who="tester")
    assert done.how == "refused"
    assert done.key is None
    assert {"cut": "monitor.edf", "empty": "monitor.edf", "nothing": "no file", "missing": "does not exist"}[what] in done.said
    assert library.keys() == []
    assert list((library.folder / place.CASES).iterdir()) == []


def test_a_case_that_cannot_grow_stays_as_it_was(library, tmp_path):
    key = bring_in(library, folder(tmp_path / "a", "rv-2031-0107", "monitor.edf"), who="tester").key
    before = library.case(key)
    made = folder(tmp_path / "b", "rv-2031-0107")
    (made / "care_record.xml").write_bytes(b"<EMSDataSet")
    done = bring_in(library, made, who="tester")
    after = open_case(library, key).raw
    assert done.how in ("grown", "refused")
    assert after.events.equals(before.events)
    assert library.check(key) == []


def test_folders_however_deep_come_in_once_and_one_that_fails_stops_nothing(library, tmp_path):
    night = tmp_path / "2031" / "march" / "18"
    for name in ("rv-2031-0107", "rv-2031-0131"):
        shutil.copytree(SAMPLES / name, night / name)
    shutil.copytree(SAMPLES / "rv-2031-0118", night / "rv-2031-0107" / "later")
    (tmp_path / "2031" / "bad").mkdir()
    (tmp_path / "2031" / "bad" / "monitor.edf").write_bytes((GOOD / "monitor.edf").read_bytes()[:200])
    places = [tmp_path / "2031", tmp_path / "nowhere", night / "rv-2031-0131"]
    told = list(bring_in_all(library, places, who="night shift"))
    assert {count for count, _ in told} == {len(told)}
    how = sorted((one.how, one.path.name) for _, one in told)
    assert how == [
        ("new", "later"),
        ("new", "rv-2031-0107"),
        ("new", "rv-2031-0131"),
        ("refused", "bad"),
        ("refused", "nowhere"),
    ]
    assert cases(library) == ["later", "rv-2031-0107", "rv-2031-0131"]


def table(path, day):
    """A table whose names only a map knows, and whose times have no zone."""
    ours = pd.read_csv(SAMPLES / "rv-2031-0112" / "chest_and_airway.csv")[:2000]
    moments = pd.Timestamp(day) + pd.to_timedelta(ours["time_s"], unit="s")
    path.parent.mkdir(parents=True)
    frame = pd.DataFrame({"Moment": moments.dt.strftime("%d.%m.%Y %H:%M:%S.%f"), "Travel": ours["compression_depth[mm]"] / 10})
    frame.to_csv(path, sep=";", index=False)
    return path


def mapped(library, path):
    """Keep the map of such a table for the agency."""
    draft = propose(path)
    rows = [{"column": "Travel", "is": "compression_depth", "unit": "cm", "scale": 1.0}]
    mapping.keep(library, AGENCY, mapping.table_map(draft, "travel", draft.times[0].time, rows, []))


def test_a_folder_of_folders_that_only_a_map_knows_comes_in(library, tmp_path):
    for day in (25, 26):
        table(tmp_path / "nights" / f"call-{day}" / "export.csv", f"2031-04-{day} 22:14:05")
    told = [(one.how, one.path.name) for _, one in bring_in_all(library, [tmp_path / "nights"], who="tester", agency=AGENCY)]
    assert told == [("refused", "call-25"), ("refused", "call-26")]
    assert cases(library) == []
    mapped(library, tmp_path / "nights" / "call-25" / "export.csv")
    told = [one.how for _, one in bring_in_all(library, [tmp_path / "nights"], who="tester", agency=AGENCY)]
    assert told == ["new", "new"]
    assert cases(library) == ["call-25", "call-26"]


def test_the_zone_that_was_typed_holds_whenever_the_case_is_read_anew(library, tmp_path):
    path = table(tmp_path / "call-25" / "export.csv", "2031-04-25 22:14:05")
    mapped(library, path)
    key = bring_in(library, path.parent, who="tester", agency=AGENCY, given=Given(None, "America/Denver")).key
    begins = datetime(2031, 4, 26, 4, 14, 5, tzinfo=UTC)  # Denver is 6 hours behind UTC in April
    assert library.case(key).start == begins
    list(upkeep.rebuild(library))
    assert library.case(key).start == begins
    shutil.rmtree(place.stored_folder(library.folder, key))
    assert open_case(library, key).raw.start == begins
    later = tmp_path / "later" / "call-25"
    later.mkdir(parents=True)
    (later / "events.csv").write_text("time,type\n2031-04-25T22:15:05,shock\n", encoding="utf-8")
    assert bring_in(library, later, who="tester", agency=AGENCY).how == "grown"
    case = library.case(key)
    assert case.start == begins
    assert case.events.query("type == 'shock'")["time_s"].tolist() == [60.0]
    assert library.check(key) == []


def test_the_library_s_zone_holds_where_nobody_says_another(tmp_path):
    """Also on the command line, where no field is filled in beforehand; a zone that was typed goes before it."""
    (tmp_path / "library").mkdir()
    (tmp_path / "library" / "library.toml").write_text('[agency]\nzone = "America/Denver"\n', encoding="utf-8")
    starts = []
    with Library.open(tmp_path / "library") as library:
        for name, zone in (("call-25", None), ("call-26", "America/New_York")):
            path = table(tmp_path / name / "export.csv", f"2031-04-{name[-2:]} 22:14:05")
            mapped(library, path)
            key = bring_in(library, path.parent, who="tester", agency=AGENCY, given=Given(None, zone)).key
            list(upkeep.rebuild(library))
            starts.append(library.case(key).start.isoformat())
    assert starts == ["2031-04-25T22:14:05-06:00", "2031-04-26T22:14:05-04:00"]


def test_a_zone_that_does_not_exist_is_noted_and_not_kept(library, tmp_path):
    path = table(tmp_path / "call-25" / "export.csv", "2031-04-25 22:14:05")
    mapped(library, path)
    key = bring_in(library, path.parent, who="tester", agency=AGENCY, given=Given(None, "Denver")).key
    assert any("Denver" in note.text for note in library.case(key).notes)
    list(upkeep.rebuild(library))
    assert not any("Denver" in note.text for note in library.case(key).notes)


def test_a_care_record_a_day_off_its_monitor_is_no_part_of_the_case(library, tmp_path):
    key = bring_in(library, folder(tmp_path / "a", "rv-2031-0107", "monitor.edf"), who="tester").key
    made = folder(tmp_path / "b", "rv-2031-0107")
    text = (GOOD / "care_record.xml").read_text(encoding="utf-8")
    stamp = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d"
    shifted = re.sub(stamp, lambda found: (datetime.fromisoformat(found[0]) + timedelta(days=3)).isoformat(), text)
    (made / "care_record.xml").write_text(shifted, encoding="utf-8")
    done = bring_in(library, made, who="tester")
    assert (done.how, len(library.files(key))) == ("new", 1)
