"""What goes and what stays when a case is deleted: by hand and by age, on SQLite and PostgreSQL, to the last byte."""

import os
import shutil
from datetime import UTC, date, datetime
from pathlib import Path

import pandas as pd
import pytest
import sqlalchemy as sa

from qi.desk import cohort as table
from qi.desk import retention, samples, signing
from qi.desk.bring_in import bring_in
from qi.desk.opened import open_case, review_of
from qi.library.guarded import guarded
from qi.library.tables import KNOWN_ARRESTS, LOG, METADATA, OUTCOME_IMPORTS, REMOVALS
from qi.model.errors import NoSuchCase, NotAllowed, QiError, UnreadableFile
from qi.model.journal import SECOND
from qi.model.people import Person
from qi.trends import cohort
from tests.library.conftest import place, postgres  # noqa: F401 - fixtures

SAMPLES = Path(__file__).parents[2] / "sample_cases"
AGENCY = "Rillstone Valley EMS"
GOES, STAYS = "rv-2031-0107", "rv-2031-0131"
NUMBER = "RV-7731-QX"  # the case's own number here, found nowhere by chance
SAID = "Qelvynne Thornquast"  # a name that somebody wrote where no name belongs
WHO = "J. Weller"
FINDING = {"kind": "went_well", "text": f"{SAID} was moved late.", "start_s": None}


@pytest.fixture
def library(place):  # noqa: F811
    return place.open()


def bring(library, name, folder, number=None):
    """A sample case, under another number where one is given."""
    case = folder / name
    shutil.copytree(SAMPLES / name, case)
    if number:
        header = case / "case.toml"
        text = header.read_text(encoding="utf-8")
        assert text.count(name) >= 1
        header.write_text(text.replace(name, number), encoding="utf-8")
    done = bring_in(library, case, who="M. Ortiz", agency=AGENCY)
    shutil.rmtree(case)
    return done.key


def used(library, folder):
    """A library of two cases, one of which has everything said of it that can be.

    Returns: keys of the one that goes and of the one that stays.
    """
    goes, stays = bring(library, GOES, folder, NUMBER), bring(library, STAYS, folder)
    library.write(goes, "finding", FINDING, who="M. Ortiz", after=0)
    library.write(goes, "finding", FINDING, who="R. Adeyemi", after=1, reading=SECOND)
    lines = library.lines(goes)
    library.sign(goes, signing.record(review_of(open_case(library, goes), lines)), who="M. Ortiz", after=2)
    library.save_sheet(goes, 1, {"text": f"{SAID}, {NUMBER}"}, who="M. Ortiz")
    library.send_sheet(goes, 1, ["4711"], who="M. Ortiz")
    library.answer_sheet(goes, 1, ["4711"], f"{SAID} was heavy.", who="A. Crew")
    library.join_outcomes(f"case,any_rosc\n{NUMBER},yes\n{NUMBER},no\n{STAYS},yes\nRV-0,yes\n", who="M. Ortiz")
    known = [(NUMBER, date(2031, 1, 7)), (STAYS, date(2031, 1, 31))]
    library.keep_known(known, agency=AGENCY, source="dispatch", who="M. Ortiz")
    made = list(table.build(library))
    assert not [said for _, _, said in made if said]
    earlier = table.folder(library).parent / "earlier" / "abc"
    shutil.copytree(table.folder(library), earlier)
    sheet = library.folder / "sheets" / f"{goes}-1.pdf"
    sheet.parent.mkdir()
    sheet.write_text(f"{SAID} {NUMBER}", encoding="utf-8")
    return goes, stays


def in_files(library, *texts):
    """Files of the library whose name, bytes, or rows (of Parquet) hold any of these texts."""
    found = []
    for path in sorted(library.folder.rglob("*")):
        held = path.read_bytes() if path.is_file() else b""
        if path.suffix == ".parquet":
            held += pd.read_parquet(path).to_csv().encode()
        if any(text.encode() in held or text in path.name for text in texts):
            found.append(path.relative_to(library.folder).as_posix())
    return found


def in_tables(library, *texts):
    """Tables of the database that hold any of these texts."""
    with library.database.reading() as connection:
        rows = {one.name: str(connection.execute(sa.select(one)).all()) for one in METADATA.sorted_tables}
    return [name for name, told in rows.items() if any(text in told for text in texts)]


def row(library, key):
    return cohort.read(table.folder(library), None, [("key", "==", key)])


def test_the_search_finds_what_is_there(library, tmp_path):
    """Else that it finds nothing afterwards would say nothing."""
    goes, _ = used(library, tmp_path)
    library.scrub()
    assert set(in_tables(library, NUMBER)) >= {"cases", "lines", "versions", "sheets", "outcome_imports", "known_arrests"}
    assert set(in_tables(library, SAID)) == {"lines", "sheets", "sheet_answers"}
    assert any(path.startswith("cohort/now/cases/") for path in in_files(library, NUMBER))
    assert any(path.startswith("cohort/earlier/abc/pauses/") for path in in_files(library, goes))
    if library.database.url.get_backend_name() == "sqlite":
        assert "reviews.sqlite" in in_files(library, SAID)


def test_all_of_a_case_goes_to_the_last_byte(library, tmp_path):
    goes, stays = used(library, tmp_path)
    before = library.about(stays), library.lines(stays), library.files(stays), row(library, stays)
    pauses = len(cohort.read_events(table.folder(library), "pauses", None, [("key", "==", stays)]))
    retention.delete(library, goes, who=WHO, keep_measures=False)
    assert library.scrub() == ""
    assert in_files(library, NUMBER, NUMBER.lower(), SAID) == []
    assert in_tables(library, NUMBER, SAID) == []
    assert set(in_tables(library, goes)) == {"removals", "log"}
    assert [path for path in in_files(library, goes) if not path.startswith("reviews.sqlite")] == []
    last = library.log_lines()[0]
    assert (last.who, last.did, last.case, last.what) == (WHO, "deleted", goes, "all")
    assert library.verify_log() == []
    assert before[:3] == (library.about(stays), library.lines(stays), library.files(stays))
    pd.testing.assert_frame_equal(row(library, stays), before[3])
    assert len(cohort.read_events(table.folder(library), "pauses")) == pauses > 0
    assert library.check(stays) == []
    assert library.known_arrests()["case_id"].tolist() == [STAYS]
    assert [one.case for one in library.outcome_imports()[0].mismatches] == ["RV-0"]


def test_the_review_goes_and_the_measures_stay(library, tmp_path):
    goes, stays = used(library, tmp_path)
    before = row(library, goes).iloc[0]
    pauses = cohort.read_events(table.folder(library), "pauses", None, [("key", "==", goes)])
    retention.delete(library, goes, who=WHO, keep_measures=True)
    assert library.scrub() == ""
    assert in_files(library, NUMBER, NUMBER.lower(), SAID) == []
    assert in_tables(library, NUMBER, SAID) == []
    with pytest.raises(NoSuchCase):
        library.about(goes)
    after = row(library, goes).iloc[0]
    told = ["case_id", "call_at", "call_day", "hour", "measured_at", "last_line"]
    pd.testing.assert_series_equal(after.drop(told), before.drop(told))
    assert after["case_id"] == goes
    assert after["call_at"] == pd.Timestamp(before["call_day"]).replace(day=1, hour=0).tz_localize("UTC")
    assert (after["call_day"].day, after["call_day"].month) == (1, before["month"])
    assert pd.isna(after["hour"])
    assert (after["measured_at"].day, after["measured_at"].hour) == (1, 0)
    assert after["source"] == "signed"
    kept = cohort.read_events(table.folder(library), "pauses", None, [("key", "==", goes)])
    pd.testing.assert_frame_equal(kept, pauses)
    assert [path for path in in_files(library, goes) if path.startswith(("cases", "sheets", "cohort/earlier"))] == []
    last = library.log_lines()[0]
    assert (last.did, last.case, last.what) == ("deleted", goes, "review, measures kept")
    assert library.known_arrests()[["case_id", "day"]].astype(str).values.tolist() == [
        [goes, "2031-01-01"],
        [STAYS, "2031-01-31"],
    ]
    for anew in (False, True):
        assert not [said for _, _, said in table.build(library, anew=anew) if said]
        assert sorted(cohort.read(table.folder(library), ["key"])["key"]) == sorted((goes, stays))
    assert table.update(library, goes)
    pd.testing.assert_series_equal(row(library, goes).iloc[0], after)
    retention.forget(library, goes, who=WHO)
    assert row(library, goes).empty
    assert set(in_tables(library, goes)) == {"removals", "log"}
    with pytest.raises(NoSuchCase):
        retention.forget(library, goes, who=WHO)
    assert library.verify_log() == []


@pytest.mark.parametrize("keep_measures", [True, False])
def test_a_medical_director_may_delete_and_a_reviewer_may_not(library, tmp_path, keep_measures):
    key = bring(library, GOES, tmp_path)
    people = [Person("D. Osei", roles=frozenset({role})) for role in ("reviewer", "medical_director")]
    reviewer, director = guarded(library, lambda: people[0]), guarded(library, lambda: people[1])
    with pytest.raises(NotAllowed):
        retention.delete(reviewer, key, who="D. Osei", keep_measures=keep_measures)
    assert library.check(key) == []
    assert library.log_count(did="deleted") == 0
    retention.delete(director, key, who="D. Osei", keep_measures=keep_measures)
    assert director.scrub() == ""
    assert library.keys() == []


def test_measures_stay_where_no_table_was_made_yet(library, tmp_path):
    key = bring(library, GOES, tmp_path)
    retention.delete(library, key, who=WHO, keep_measures=True)
    assert row(library, key)["case_id"].tolist() == [key]


def test_a_table_that_another_program_made_meanwhile_is_put_right(library, tmp_path):
    """It measured the case before it was deleted, and took the place of the table afterwards."""
    goes, _ = used(library, tmp_path)
    now = table.folder(library)
    late = tmp_path / "late"
    shutil.copytree(now, late)
    retention.delete(library, goes, who=WHO, keep_measures=True)
    right = row(library, goes)
    shutil.rmtree(now)
    shutil.copytree(late, now)
    (now.parent / ".old-1").mkdir()
    (now.parent / ".fresh-1").mkdir()
    (now.parent / ".fresh-2").mkdir()
    os.utime(now.parent / ".fresh-1", (0, 0))
    retention.sweep(library)
    pd.testing.assert_frame_equal(row(library, goes), right)
    assert sorted(path.name for path in now.parent.iterdir()) == [".fresh-2", "earlier", "now"]


def test_a_case_that_cannot_be_taken_out_keeps_its_row(library, tmp_path, monkeypatch):
    key = bring(library, GOES, tmp_path)
    list(table.build(library))
    before = row(library, key)

    def refuse(*_, **__):
        raise QiError("not now")

    monkeypatch.setattr(type(library), "remove", refuse)
    with pytest.raises(QiError, match="not now"):
        retention.delete(library, key, who=WHO, keep_measures=True)
    after = row(library, key)
    pd.testing.assert_frame_equal(after.drop(columns="measured_at"), before.drop(columns="measured_at"))
    assert library.about(key).case_id == GOES


def test_an_old_patient_is_no_more_than_above_89():
    """45 CFR 164.514(b)(2)(i)(C): ages over 89 as one group of 90 or older (from memory)."""
    moment = datetime(2031, 5, 17, 13, 30, tzinfo=UTC)
    given = {"key": "k", "case_id": "RV-1", "year": 2031, "month": 5, "call_at": moment, "measured_at": moment, "age_years": 97.0}
    made = retention.without_identity(given)
    assert made["age_years"] == 90.0
    assert made["call_at"] == made["measured_at"] == datetime(2031, 5, 1, tzinfo=UTC)
    assert retention.without_identity(given | {"age_years": 0.5})["age_years"] == 0.5
    assert retention.without_identity(given | {"age_years": None, "year": 0})["call_at"] is None


def keep_for(library, **months):
    lines = "\n".join(f"{name} = {value}" for name, value in months.items())
    (library.folder / "library.toml").write_text(f"[retention]\n{lines}\n", encoding="utf-8")


def test_nothing_goes_by_age_where_nothing_is_set(library, tmp_path):
    bring(library, GOES, tmp_path)
    library.now = lambda: datetime(2099, 1, 1, tzinfo=UTC)
    assert retention.due(library) == []
    assert list(retention.carry_out(library, who=WHO)) == []
    assert len(library.keys()) == 1


def test_first_the_review_goes_by_age_and_then_the_measures(library, tmp_path):
    library.now = lambda: datetime(2031, 6, 1, tzinfo=UTC)  # when all that goes by age was written
    goes, stays = used(library, tmp_path)
    called = library.about(goes).call_at
    keep_for(library, keep_review_months=24, keep_measures_months=60)
    other = library.about(stays).call_at
    first = min(called, other)
    early, late = (goes, stays) if called == first else (stays, goes)

    def at(years, months=0, hours=0):
        moment = pd.Timestamp(first) + pd.DateOffset(years=years, months=months, hours=hours)
        library.now = lambda: moment.to_pydatetime()

    at(2, hours=-1)
    assert retention.due(library) == []
    at(2, hours=1)
    (one,) = retention.due(library)
    assert (one.key, one.what, one.at) == (early, "review", first)
    done = list(retention.carry_out(library, who="the command line"))
    assert [(count, due.key, said) for count, due, said in done] == [(1, early, "")]
    assert library.keys() == [late]
    assert len(row(library, early)) == 1
    assert library.log_lines(did="deleted", case=early)[0].what == "review, measures kept, by age"
    at(5, months=-1)
    assert [(due.key, due.what) for due in retention.due(library)] == [(late, "review")]
    at(6)
    assert {(due.key, due.what) for due in retention.due(library)} == {(early, "measures"), (late, "all")}
    assert [said for _, _, said in retention.carry_out(library, who=WHO)] == ["", ""]
    assert library.keys() == []
    assert cohort.read(table.folder(library), ["key"]).empty
    with library.database.reading() as connection:
        assert connection.scalar(sa.select(sa.func.count()).select_from(KNOWN_ARRESTS)) == 0
        assert connection.execute(sa.select(OUTCOME_IMPORTS.c.mismatches)).scalars().all() == [[]]
        assert not any(connection.scalars(sa.select(REMOVALS.c.measures_kept)))
        assert len(connection.execute(sa.select(LOG)).all()) == library.log_head()[0]
    assert retention.due(library) == []
    assert in_files(library, NUMBER, SAID) == []
    assert library.verify_log() == []


@pytest.mark.parametrize(
    "months", [{"keep_review_months": 0}, {"keep_review_months": True}, {"keep_review_months": 36, "keep_measures_months": 24}]
)
def test_settings_that_make_no_sense_are_refused(library, months):
    keep_for(library, **{name: str(value).lower() for name, value in months.items()})
    with pytest.raises(UnreadableFile, match="retention"):
        retention.due(library)


def test_the_samples_go_with_their_rows(library, tmp_path):
    key = bring_in(library, SAMPLES / GOES, who=WHO, agency=AGENCY, invented=True).key
    list(table.build(library))
    assert samples.take_out(library, who=WHO) == 1
    assert row(library, key).empty


def test_no_line_of_the_log_holds_anything_of_a_patient_or_a_call(library, tmp_path):
    """Every fact and header of every sample case, every word that a person wrote, against every line after all that can be done."""
    cases = sorted(path for path in SAMPLES.iterdir() if (path / "case.toml").is_file())
    keys = [bring_in(library, path, who=WHO, agency=AGENCY).key for path in cases]
    told = {path.name for path in cases} | {SAID}
    for key in keys:
        case = library.case(key)
        told |= {case.id, *(source.file for source in case.sources)}
        told |= {str(value) for value in (case.facts.unit, case.facts.station) if value}
        told |= set(library.crew_of(key))
        after = len(library.lines(key))
        library.write(key, "finding", FINDING, who=WHO, after=after)
        library.log("exported", who=WHO, case=key, what="edf+, tables, fhir, with identity")
    library.join_outcomes(f"case,any_rosc\n{cases[0].name},yes\n", who=WHO)
    retention.delete(library, keys[0], who=WHO, keep_measures=True)
    retention.delete(library, keys[1], who=WHO, keep_measures=False)
    lines = library.log_lines()
    assert len(lines) >= 3 * len(keys)
    assert {line.case for line in lines} == {*keys, ""}
    words = {line.who for line in lines} | {line.did for line in lines} | {line.what for line in lines}
    assert {text for text in told if len(text) > 1 for word in words if text in word} == set()
