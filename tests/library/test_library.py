"""The library as a whole: cases come in, are recognised, grow, are checked and taken out."""

import hashlib
import re
import shutil
from dataclasses import replace

import pytest
import sqlalchemy as sa

from qi.library import draft as drafts
from qi.library import originals, place, stored_case
from qi.library.cases import Match, duration_s
from qi.library.tables import LOG, METADATA, REMOVALS
from qi.library.worklist import Summary
from qi.model.case import Source
from qi.model.errors import NoSuchCase, QiError, UnknownWord, UnreadableFile
from qi.model.journal import SECOND
from tests.library.made_cases import AGENCY, CORRECTION, FINDING, NOON, Clock, bring_in, case_of

WHO = "M. Ortiz"
SUMMARY = Summary(NOON, "Station 3", "B", "M31", 2.0, "depth 41 mm")


def file_of(folder, name, content):
    (folder / name).write_text(content, encoding="utf-8")
    return folder / name


def sha(content):
    return hashlib.sha256(content.encode()).hexdigest()


def test_a_case_comes_in(library, tmp_path):
    library.now = Clock()
    files = {"monitor.csv": file_of(tmp_path, "a.csv", "a"), "record.xml": file_of(tmp_path, "b.xml", "<b/>")}
    draft = library.begin(files)
    assert re.fullmatch(r"[a-z0-9]{12}", draft.key)
    assert draft.folder == library.folder / "cases" / draft.key / "originals"
    assert sorted(path.name for path in draft.folder.iterdir()) == ["monitor.csv", "record.xml"]
    assert {one.name for one in draft.fresh} == set(files)
    assert library.keys() == [], "nothing is said of a draft"
    case = case_of("RV-2031-0107", outcome={"any_rosc": True})
    draft.finish(case, SUMMARY, who=WHO, agency=AGENCY, read_as={"monitor.csv": "signal CSV, monitor", "record.xml": ""})
    entry = library.about(draft.key)
    assert (entry.case_id, entry.agency, entry.entered_by, entry.invented) == ("RV-2031-0107", AGENCY, WHO, False)
    assert (entry.call_at, entry.station, entry.shift, entry.unit) == (NOON, "Station 3", "B", "M31")
    assert (entry.concern, entry.concern_words, entry.duration_s) == (2.0, "depth 41 mm", 1800.0)
    assert (entry.status, entry.waiting_since, entry.version, entry.last_line) == ("waiting", entry.entered_at, 1, 0)
    assert entry.outcome_told == {"any_rosc": True}
    assert [(one.name, one.sha256, one.bytes, one.read_as) for one in library.files(draft.key)] == [
        ("monitor.csv", sha("a"), 1, "signal CSV, monitor"),
        ("record.xml", sha("<b/>"), 4, ""),
    ]
    assert library.case(draft.key).id == "RV-2031-0107"
    assert library.originals_folder(draft.key) == draft.folder
    assert library.check(draft.key) == []
    draft.abandon()
    assert library.check(draft.key) == [], "a finished draft is not abandoned any more"


def test_keys_are_opaque_and_never_the_same():
    keys = {drafts.new_key() for _ in range(2000)}
    assert len(keys) == 2000
    assert all(re.fullmatch(r"[a-z0-9]{12}", key) for key in keys)


def test_an_abandoned_draft_leaves_nothing_behind(library, tmp_path):
    draft = library.begin({"a.csv": file_of(tmp_path, "a.csv", "a")})
    draft.abandon()
    assert list((library.folder / "cases").iterdir()) == []
    key = bring_in(library, tmp_path)
    draft = library.begin({"b.csv": file_of(tmp_path, "b.csv", "b"), "monitor.csv": file_of(tmp_path, "c.csv", "c")}, into=key)
    assert {one.name for one in draft.fresh} == {"b.csv", "monitor (2).csv"}
    draft.abandon()
    assert [path.name for path in draft.folder.iterdir()] == ["monitor.csv"]
    assert library.check(key) == []
    with pytest.raises(UnreadableFile):
        library.case(key)  # to be made anew from the originals that are left


def test_files_that_cannot_be_kept_leave_nothing_behind(library, tmp_path):
    good = file_of(tmp_path, "a.csv", "a")
    with pytest.raises(UnreadableFile):
        library.begin({"a.csv": good, "gone.csv": tmp_path / "gone.csv"})
    assert list((library.folder / "cases").iterdir()) == []
    key = bring_in(library, tmp_path)
    with pytest.raises(UnreadableFile):
        library.begin({"a.csv": good, "gone.csv": tmp_path / "gone.csv"}, into=key)
    assert library.check(key) == []


def test_originals_copied_before_one_that_fails_are_taken_back(library, tmp_path, monkeypatch):
    key = bring_in(library, tmp_path)

    def keep_one_and_fail(folder, files):
        originals_keep(folder, dict(list(files.items())[:1]))
        raise UnreadableFile("second.csv", "the disk is full")

    originals_keep = originals.keep
    monkeypatch.setattr(originals, "keep", keep_one_and_fail)
    files = {"first.csv": file_of(tmp_path, "first.csv", "1"), "second.csv": file_of(tmp_path, "second.csv", "2")}
    for into in (key, None):
        with pytest.raises(UnreadableFile, match="the disk is full"):
            library.begin(files, into=into)
    assert library.check(key) == []
    assert [path.name for path in (library.folder / "cases").iterdir()] == [key]


def test_a_case_grows_by_files_that_come_later(library, tmp_path):
    library.now = Clock()
    key = bring_in(library, tmp_path, content="a")
    library.write(key, "correction", CORRECTION, who=WHO, after=0)
    files = {"monitor.csv": file_of(tmp_path, "same.csv", "a"), "cad.csv": file_of(tmp_path, "cad.csv", "times")}
    draft = library.begin(files, into=key)
    assert (draft.key, [one.name for one in draft.fresh]) == (key, ["cad.csv"])
    grown = replace(case_of("RV-1"), sources=(Source("monitor.csv", "signal CSV", "monitor", "m", -60.0, 1800.0),))
    draft.finish(
        grown, SUMMARY, who="J. Weller", agency="another", read_as={"monitor.csv": "x", "cad.csv": "dispatch CSV, dispatch"}
    )
    assert [(one.name, one.read_as) for one in library.files(key)] == [("cad.csv", "dispatch CSV, dispatch"), ("monitor.csv", "x")]
    last = library.lines(key)[-1]
    assert (last.number, last.kind, last.who, dict(last.body)) == (2, "files", "J. Weller", {"added": ["cad.csv"]})
    entry = library.about(key)
    assert (entry.agency, entry.duration_s, entry.concern, entry.last_line) == (AGENCY, 1860.0, 2.0, 2)
    assert library.case(key).sources == grown.sources
    assert library.check(key) == []


def test_files_are_recognised_by_content_then_by_number(library, tmp_path):
    library.now = Clock()
    one = bring_in(library, tmp_path, "RV-1", content="a")
    draft = library.begin({"b.csv": file_of(tmp_path, "b.csv", "b"), "c.csv": file_of(tmp_path, "c.csv", "c")})
    draft.finish(case_of("RV-2"), SUMMARY, who=WHO, agency=AGENCY, read_as={})
    two, a, b, c, d = draft.key, sha("a"), sha("b"), sha("c"), sha("d")
    assert library.match({a}, "RV-9", "elsewhere") == Match(one, "same", frozenset())
    assert library.match({b}, None, "") == Match(two, "same", frozenset())
    assert library.match([b, c, d], "RV-1", AGENCY) == Match(two, "shares files", frozenset({d}))
    assert library.match({a, b, c}, None, "") == Match(two, "shares files", frozenset({a})), "that which shares most"
    assert library.match({d}, "RV-1", AGENCY) == Match(one, "same number", frozenset({d}))
    assert library.match({d}, "RV-1", "elsewhere") == Match(None, "new", frozenset({d}))
    assert library.match({d}, None, AGENCY) == Match(None, "new", frozenset({d}))
    assert library.match(set(), "RV-2", AGENCY) == Match(two, "same number", frozenset())
    three = bring_in(library, tmp_path, "RV-2", content="e")
    assert library.match({d}, "RV-2", AGENCY).key == three, "of two cases with one number the one that came in last"


def test_a_changed_original_is_seen(library, tmp_path):
    key = bring_in(library, tmp_path)
    path = library.originals_folder(key) / "monitor.csv"
    path.chmod(0o600)
    path.write_text("another content", encoding="utf-8")
    assert len(library.check(key)) == 1
    assert "monitor.csv has changed" in library.check(key)[0]


def test_a_stored_copy_is_made_anew(library, tmp_path):
    key = bring_in(library, tmp_path)
    shutil.rmtree(place.stored_folder(library.folder, key))
    with pytest.raises(UnreadableFile):
        library.case(key)
    library.store(key, replace(case_of("RV-1", outcome={"any_rosc": False}), sources=()))
    assert library.case(key).sources == ()
    assert (library.about(key).duration_s, library.about(key).outcome_told) == (None, {"any_rosc": False})
    library.summarise(key, Summary(None))
    entry = library.about(key)
    assert (entry.call_at, entry.station, entry.concern, entry.concern_words) == (None, None, 0.0, "")


def test_how_long_a_case_is():
    """Monitors where there are any, else every file; a file that has no place does not count."""
    monitor, late = Source("m", "EDF+", "monitor", "m", 10.0, 100.0), Source("n", "EDF+", "monitor", "n", 90.0, 200.0)
    record, nowhere = Source("r", "NEMSIS", "record", "r", -400.0, 3000.0), Source("x", "EDF+", "monitor", "x", float("nan"), 5.0)
    made = case_of("RV-1")
    assert duration_s(replace(made, sources=(monitor, late, record, nowhere))) == 190.0
    assert duration_s(replace(made, sources=(record, nowhere))) == 3400.0
    assert duration_s(replace(made, sources=(nowhere,))) is None


def test_a_case_is_taken_out_with_all_that_was_said_of_it(library, tmp_path):
    library.now = Clock()
    stays, goes = bring_in(library, tmp_path, "RV-1"), bring_in(library, tmp_path, "RV-2", invented=True)
    for key in (stays, goes):
        library.write(key, "correction", CORRECTION, who=WHO, after=0)
        library.write(key, "finding", FINDING, who="R. Adeyemi", after=1, reading=SECOND)
        library.sign(key, {"n": 1}, who=WHO, after=2)
    before = library.about(stays), library.lines(stays), library.versions(stays), library.files(stays)
    library.remove(goes, who="J. Weller")
    assert library.keys() == [stays]
    assert (library.about(stays), library.lines(stays), library.versions(stays), library.files(stays)) == before
    assert [path.name for path in (library.folder / "cases").iterdir()] == [stays]
    with library.database.reading() as connection:
        for table in METADATA.sorted_tables:
            told = str(connection.execute(sa.select(table)).all())
            assert (goes in told) == (table in (REMOVALS, LOG)), table.name
        (removal,) = connection.execute(sa.select(REMOVALS)).mappings()
    assert (removal["case_key"], removal["who"], removal["lines"], removal["invented"]) == (goes, "J. Weller", 3, True)
    for call in (
        library.about,
        library.lines,
        library.versions,
        library.files,
        library.case,
        library.check,
        library.originals_folder,
    ):
        with pytest.raises(NoSuchCase):
            call(goes)
    with pytest.raises(NoSuchCase):
        library.remove(goes, who="J. Weller")


def test_a_case_whose_files_cannot_be_deleted_stays(library, tmp_path, monkeypatch):
    key = bring_in(library, tmp_path)
    library.write(key, "correction", CORRECTION, who=WHO, after=0)

    def refuse(folder):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(originals, "remove", refuse)
    with pytest.raises(QiError, match="Permission denied; the case stays"):
        library.remove(key, who=WHO)
    assert library.keys() == [key]
    assert len(library.lines(key)) == 1


def test_what_cannot_be_finished_is_not_half_there(library, tmp_path, monkeypatch):
    draft = library.begin({"a.csv": file_of(tmp_path, "a.csv", "a")})
    with pytest.raises(ValueError, match="gives no order"):
        draft.finish(case_of("RV-1"), replace(SUMMARY, concern=float("nan")), who=WHO, agency=AGENCY, read_as={})

    def full(folder, case):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(stored_case, "write", full)
    with pytest.raises(OSError, match="No space left"):
        draft.finish(case_of("RV-1"), SUMMARY, who=WHO, agency=AGENCY, read_as={})
    assert library.keys() == []
    draft.abandon()
    assert list((library.folder / "cases").iterdir()) == []


def test_nothing_goes_into_a_case_that_is_not_there(library, tmp_path):
    path = file_of(tmp_path, "a.csv", "a")
    with pytest.raises(NoSuchCase):
        library.begin({"a.csv": path}, into="nosuchcase00")
    assert list((library.folder / "cases").iterdir()) == []
    key = bring_in(library, tmp_path)
    draft = library.begin({"a.csv": path}, into=key)
    library.remove(key, who=WHO)
    with pytest.raises(NoSuchCase):
        draft.finish(case_of("RV-1"), SUMMARY, who=WHO, agency=AGENCY, read_as={})
    draft.abandon()
    assert list((library.folder / "cases").iterdir()) == []


def test_settings_are_read_from_the_library_s_folder(library):
    assert (library.settings.agency, library.settings.second_share) == ("", 0.1)
    path = library.folder / "library.toml"
    path.write_text(
        '[agency]\nname = "Rillstone Valley EMS"\nzone = "America/Denver"\nbanner = "For practice only"\n'
        "[second_reading]\nshare = 1\n",
        encoding="utf-8",
    )
    found = library.settings
    assert (found.agency, found.zone, found.banner, found.second_share) == (AGENCY, "America/Denver", "For practice only", 1.0)
    for text, error, words in (
        ("[agency]\nnames = 'x'", UnknownWord, "“names” is not known; choose from banner, name, paper, zone"),
        ("[colours]", UnknownWord, "“colours” is not known"),
        ("agency = 'x'", UnreadableFile, "should be a table"),
        ("[agency]\nname = 3", UnreadableFile, "should be a text"),
        ("[agency]\nzone = 'Mountain'", UnreadableFile, "no IANA zone|not an IANA zone"),
        ("[second_reading]\nshare = 10", UnreadableFile, "from 0 to 1"),
        ("[second_reading]\nshare = true", UnreadableFile, "from 0 to 1"),
        ("[agency", UnreadableFile, "not settings in TOML"),
    ):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(error, match=words):
            _ = library.settings
