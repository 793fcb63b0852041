"""The cohort table of a library: built, followed case by case, and made anew when definitions change."""

import shutil
import subprocess
import sys
from datetime import UTC
from functools import partial
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from qi.__main__ import main
from qi.desk import cohort as desk
from qi.desk import definitions, signing
from qi.desk.bring_in import bring_in, bring_in_all
from qi.desk.opened import open_case, review_of
from qi.library.library import Library
from qi.model.errors import NoSuchCase, UnreadableFile
from qi.trends import cohort
from qi.trends import cohort_store as store
from qi.trends.write_lock import alone

SAMPLES = Path(__file__).parents[2] / "sample_cases"
AGENCY = "Rillstone Valley EMS"
CHILD, GOOD, THIRD = "rv-2031-0131", "rv-2031-0107", "rv-2031-0118"
SHORT = 'extends = "adult-2020"\n[definitions]\nlong_pause_s = 5\n'


@pytest.fixture
def library(tmp_path, monkeypatch):
    monkeypatch.delenv("QI_DATABASE", raising=False)
    with Library.open(tmp_path / "library") as opened:
        yield opened


def bring(library, name, folder=None):
    return bring_in(library, folder or SAMPLES / name, who="M. Ortiz", agency=AGENCY).key


def build(library, **options):
    done = list(desk.build(library, **options))
    assert not [said for _, _, said in done if said]
    return [case_id for _, case_id, _ in done]


def row(library, key):
    table = cohort.read(desk.folder(library), None, [("key", "==", key)])
    assert len(table) == 1
    return table.iloc[0]


def sign(library, key, change=None):
    """Sign a case as it stands; change is done to the record first."""
    lines = library.lines(key)
    kept = signing.record(review_of(open_case(library, key), lines))
    if change:
        change(kept)
    library.sign(key, kept, who="M. Ortiz", after=len(lines))
    return kept


def number(kept, id_, of=None):
    return next(one for one in kept["measures"] if (one["id"], one.get("of")) == (id_, of))


def test_every_case_has_a_row_as_the_machine_finds_it_and_nothing_is_measured_twice(library):
    keys = [bring(library, name) for name in (CHILD, GOOD)]
    assert not desk.out_of_date(library)
    assert build(library) == []
    shutil.rmtree(desk.folder(library))
    assert desk.out_of_date(library)
    assert sorted(build(library)) == [GOOD, CHILD]
    assert not desk.out_of_date(library)
    assert build(library) == []
    for key in keys:
        made, review = row(library, key), review_of(open_case(library, key), [])
        assert made["source"] == "machine"
        assert made["version"] == 0
        assert made["compression_fraction"] == pytest.approx(review.of("compression_fraction").value, abs=1e-6)
        assert made["protocol"] == review.protocol.name
        assert made["call_at"] == review.case.start.astimezone(UTC)
        assert made["call_day"].date() == review.case.start.date()
        pauses = cohort.read_events(desk.folder(library), "pauses", None, [("key", "==", key)])
        assert list(pauses["seconds"]) == pytest.approx(list(review.findings.pauses["seconds"]), abs=1e-3)
    good = row(library, keys[1])
    assert (good["device_used"], good["airway_kind"], good["station"], good["any_rosc"]) == ("yes", "supraglottic", "3", "yes")
    assert (good["advanced_airway"], good["effort_end"]) == ("yes", "rosc")
    assert good["effort_end_s"] == good["interval_s.rosc.first_compression_ems"]
    assert good["response_interval_s"] == 388.0
    assert len(cohort.read_events(desk.folder(library), "shocks")) == 2


def test_a_signed_case_has_the_numbers_that_were_signed(library):
    key = bring(library, CHILD)
    build(library)
    sign(library, key, lambda kept: number(kept, "compression_fraction").update(value=0.123, low=0.1))
    assert desk.update(library, key)
    made = row(library, key)
    assert (made["source"], made["version"], made["measured_anew"]) == ("signed", 1, False)
    assert (made["compression_fraction"], made["compression_fraction__low"]) == (0.123, 0.1)
    assert made["measured_at"] == library.versions(key)[0].signed_at


def test_corrections_count_once_they_are_signed_and_a_reopened_case_keeps_what_was_signed(library):
    key = bring(library, CHILD)
    build(library)
    found = row(library, key)["compression_fraction"]
    correction = {"action": "add", "subject": "rosc", "start_s": 300.0, "why": "seen on the film"}
    library.write(key, "correction", correction, who="M. Ortiz", after=0)
    corrected = review_of(open_case(library, key), library.lines(key)).of("compression_fraction").value
    desk.update(library, key)
    assert row(library, key)["compression_fraction"] == found != pytest.approx(corrected, abs=1e-6)
    sign(library, key)
    desk.update(library, key)
    signed = row(library, key)
    assert signed["compression_fraction"] == pytest.approx(corrected, abs=1e-6)
    events = cohort.read_events(desk.folder(library), "pauses")
    library.reopen(key, "the film was looked at again", who="M. Ortiz", after=2)
    library.write(key, "undo", {"undoes": 1}, who="M. Ortiz", after=3)
    desk.update(library, key)
    again = row(library, key)
    assert (again["source"], again["version"], again["last_line"]) == ("signed", 1, 4)
    assert again["compression_fraction"] == signed["compression_fraction"]
    pd.testing.assert_frame_equal(cohort.read_events(desk.folder(library), "pauses"), events)


def test_a_later_outcome_an_exclusion_and_a_removal_arrive(library, tmp_path):
    key = bring(library, CHILD)
    build(library)
    sign(library, key)
    table = tmp_path / "outcomes.csv"
    table.write_text(f"case,survived_to_discharge,cpc\n{CHILD},yes,1\n", encoding="utf-8")
    library.join_outcomes(table, who="M. Ortiz")
    assert build(library) == [CHILD]
    assert (row(library, key)["survived_to_discharge"], row(library, key)["cpc"]) == ("yes", 1.0)
    library.reopen(key, "not ours", who="M. Ortiz", after=len(library.lines(key)))
    library.write(key, "excluded", {"reason": "duplicate", "why": "0130"}, who="M. Ortiz", after=len(library.lines(key)))
    desk.update(library, key)
    assert row(library, key)["excluded"] == "duplicate"
    library.remove(key, who="M. Ortiz")
    assert desk.update(library, key)
    assert cohort.read(desk.folder(library), ["key"]).empty
    assert cohort.read_events(desk.folder(library), "pauses").empty


def test_a_removed_case_goes_at_the_next_build(library):
    key = bring(library, CHILD)
    build(library)
    library.remove(key, who="M. Ortiz")
    assert build(library) == []
    assert cohort.read(desk.folder(library), ["key"]).empty


def test_a_case_that_cannot_be_measured_is_named_and_keeps_its_row(library, tmp_path):
    key, other = bring(library, CHILD), bring(library, GOOD)
    build(library)
    shutil.rmtree(library.folder / "cases" / key)
    for one in (key, other):
        library.sign(one, {"measures": []}, who="M. Ortiz", after=0)
    with pytest.raises(UnreadableFile):
        desk.update(library, key)
    desk.follow(library, key)
    done = {case_id: said for _, case_id, said in desk.build(library)}
    assert done[CHILD]
    assert done[GOOD] == ""
    assert row(library, key)["last_line"] == 0
    assert row(library, other)["last_line"] == 1


def test_a_page_tells_again_what_failed_and_tries_it_again_once_something_changed(library, monkeypatch):
    key = bring(library, CHILD)
    stored = library.folder / "cases" / key
    stored.rename(library.folder / "away")
    library.sign(key, {"measures": []}, who="M. Ortiz", after=0)
    ((count, case_id, said),) = desk.refresh(library)
    assert (count, case_id) == (1, CHILD)
    assert said
    tried = []
    monkeypatch.setattr(desk, "rows_of", lambda library, entry, review=None: tried.append(entry.key))
    for _ in range(3):
        assert list(desk.refresh(library)) == [(1, CHILD, said)]
    assert not tried
    monkeypatch.undo()
    (library.folder / "away").rename(stored)
    assert list(desk.refresh(library)) == [(1, CHILD, said)]
    assert build(library) == [CHILD]
    assert list(desk.refresh(library)) == []
    assert row(library, key)["source"] == "signed"


def test_a_page_looks_once_and_then_only_whether_anything_changed(library, monkeypatch):
    key = bring(library, CHILD)
    looked = []
    counted = desk.changes.held
    monkeypatch.setattr(desk.changes, "held", lambda place: looked.append(place) or counted(place))
    for _ in range(3):
        assert list(desk.refresh(library)) == []
    assert len(looked) == 1
    library.write(key, "excluded", {"reason": "dnr"}, who="M. Ortiz", after=0)
    assert list(desk.refresh(library)) == [(1, CHILD, "")]
    assert row(library, key)["excluded"] == "dnr"
    assert list(desk.refresh(library)) == []
    library.remove(key, who="M. Ortiz")
    assert list(desk.refresh(library)) == []
    assert cohort.read(desk.folder(library), ["key"]).empty
    (library.folder / "protocols" / "ours.toml").write_text(SHORT, encoding="utf-8")
    assert list(desk.refresh(library)) == []
    assert not desk.out_of_date(library)


def test_a_row_that_was_lost_on_disk_is_found_missing(library):
    """As where two programs wrote the same month at once, and one did not see the other's row."""
    keys = [bring(library, name) for name in (CHILD, GOOD)]
    assert list(desk.refresh(library)) == []
    store.drop(desk.folder(library), keys[:1])
    assert list(desk.refresh(library)) == [(1, CHILD, "")]
    assert len(cohort.read(desk.folder(library), ["key"])) == 2


def test_what_changes_no_number_is_written_into_the_row_without_measuring(library, monkeypatch):
    key, other = bring(library, GOOD), bring(library, CHILD)
    before, events = row(library, key), cohort.read_events(desk.folder(library), "pauses")
    monkeypatch.setattr(desk, "open_case", lambda *given: pytest.fail("measured"))
    write = partial(library.write, key, who="M. Ortiz")
    write("correction", {"action": "add", "subject": "rosc", "start_s": 300.0, "why": "seen on the film"}, after=0)
    write("clock", {"clock": "dispatch", "offset_s": 4.0, "uncertainty_s": 1.0, "method": "x", "why": "y"}, after=1)
    write("excluded", {"reason": "trauma"}, after=2)
    write("outcome", {"field": "survived_to_discharge", "value": True}, after=3)
    write("outcome", {"field": "cpc", "value": 2}, after=4)
    write("outcome", {"field": "any_rosc", "value": False}, after=5)
    write("undo", {"undoes": 6}, after=6)
    assert desk.update(library, key)
    after = row(library, key)
    assert (after["excluded"], after["survived_to_discharge"], after["cpc"]) == ("trauma", "yes", 2.0)
    assert after["any_rosc"] == before["any_rosc"] == "yes"
    assert after["last_line"] == 7
    same = before.index.difference(["excluded", "survived_to_discharge", "cpc", "last_line"])
    pd.testing.assert_series_equal(after[same], before[same])
    pd.testing.assert_frame_equal(cohort.read_events(desk.folder(library), "pauses"), events)
    assert row(library, other)["last_line"] == 0
    monkeypatch.undo()
    build(library, anew=True)
    again = row(library, key)
    pd.testing.assert_series_equal(after.drop("measured_at"), again.drop("measured_at"))


def test_a_case_that_is_signed_has_its_row_at_once_as_it_would_be_measured(library):
    key = bring(library, CHILD)
    opened = open_case(library, key)
    library.write(key, "correction", {"action": "add", "subject": "rosc", "start_s": 300.0, "why": "seen"}, who="M. Ortiz", after=0)
    lines = library.lines(key)
    signing.sign(library, opened, lines, review_of(opened, lines), who="M. Ortiz", after=1)
    made = row(library, key)
    assert (made["source"], made["version"], made["measured_anew"], made["last_line"]) == ("signed", 1, False, 2)
    assert library.versions(key)[0].record["definitions"] == made["definitions_digest"]
    assert list(desk.refresh(library)) == []
    build(library, anew=True)
    pd.testing.assert_series_equal(row(library, key), made)


def test_cases_that_come_in_have_their_rows_at_once_as_they_would_be_measured(library):
    done = list(bring_in_all(library, [SAMPLES / CHILD, SAMPLES / GOOD], who="M. Ortiz", agency=AGENCY))
    assert [one.how for _, one in done] == ["new", "new"]
    assert list(desk.refresh(library)) == []
    made = cohort.read(desk.folder(library)).drop(columns="measured_at")
    assert len(made) == 2
    build(library, anew=True)
    again = cohort.read(desk.folder(library)).drop(columns="measured_at")
    pd.testing.assert_frame_equal(again, made, check_categorical=False)


def test_files_that_come_later_are_measured(library, tmp_path):
    part = tmp_path / GOOD
    shutil.copytree(SAMPLES / GOOD, part)
    (part / "monitor.edf").unlink()
    key = bring(library, GOOD, part)
    assert not row(library, key)["has_recording"]
    assert bring_in(library, SAMPLES / GOOD, who="M. Ortiz", agency=AGENCY).how == "grown"
    assert row(library, key)["has_recording"]
    assert row(library, key)["last_line"] == len(library.lines(key)) == 1
    assert list(desk.refresh(library)) == []


def test_nothing_that_goes_wrong_with_the_table_breaks_an_act(library, monkeypatch):
    def broken(*given, **named):
        raise ZeroDivisionError

    monkeypatch.setattr(desk, "rows_of", broken)
    key = bring(library, CHILD)
    opened = open_case(library, key)
    signing.sign(library, opened, [], review_of(opened, []), who="M. Ortiz", after=0)
    assert len(library.versions(key)) == 1
    monkeypatch.undo()
    assert list(desk.refresh(library)) == [(1, CHILD, "")]
    assert row(library, key)["source"] == "signed"


def test_without_a_table_nothing_is_begun_for_a_case_among_others(library):
    bring(library, CHILD)
    shutil.rmtree(desk.folder(library))
    bring(library, GOOD)
    assert desk.out_of_date(library)
    assert {case_id for _, case_id, _ in desk.refresh(library)} == {CHILD, GOOD}
    assert len(cohort.read(desk.folder(library), ["key"])) == 2


def test_a_refresh_that_breaks_off_keeps_what_was_measured(library):
    keys = [bring(library, name) for name in (CHILD, GOOD)]
    store.drop(desk.folder(library), keys)
    work = desk.refresh(library)
    next(work)
    work.close()
    assert len(cohort.read(desk.folder(library), ["key"])) == 1
    assert len(list(desk.refresh(library))) == 1


def test_measures_that_stay_when_a_case_goes_stay_in_every_table(library):
    key, gone, other = bring(library, CHILD), bring(library, GOOD), bring(library, THIRD)
    made = row(library, key)
    library.remove(key, who="M. Ortiz", measures_kept=True)
    library.remove(gone, who="M. Ortiz")
    for one in (key, gone):
        assert desk.update(library, one)
    assert set(cohort.read(desk.folder(library), ["key"])["key"]) == {key, other}
    (library.folder / "protocols" / "ours.toml").write_text(SHORT, encoding="utf-8")
    assert list(desk.refresh(library)) == [(1, THIRD, "")]
    pd.testing.assert_series_equal(row(library, key), made)
    assert len(cohort.read_events(desk.folder(library), "pauses", None, [("key", "==", key)])) > 0


def test_a_case_that_is_removed_leaves_no_row_in_earlier_tables_either(library, own):
    key, other = own
    (library.folder / "protocols" / "ours.toml").write_text(SHORT, encoding="utf-8")
    build(library)
    library.remove(key, who="M. Ortiz")
    desk.forget(library, [key])
    for place in (desk.folder(library), *desk.earlier(library)):
        assert cohort.read(place, ["key"])["key"].tolist() == [other]
    assert len(desk.earlier(library)) == 1


@pytest.fixture
def own(library, tmp_path):
    """A case that names the agency's own protocol, signed, and one more."""
    (library.folder / "protocols" / "ours.toml").write_text('extends = "adult-2020"\n', encoding="utf-8")
    folder = tmp_path / GOOD
    shutil.copytree(SAMPLES / GOOD, folder)
    header = folder / "case.toml"
    text = header.read_text(encoding="utf-8")
    header.write_text(text.replace(f'id = "{GOOD}"', f'id = "{GOOD}"\nprotocol = "ours"'), encoding="utf-8")
    key, other = bring(library, GOOD, folder), bring(library, CHILD)
    sign(library, key)
    build(library)
    return key, other


def test_other_definitions_measure_all_anew_and_keep_the_earlier_values_to_compare(library, own):
    """Pauses over 5 s instead of 10 s: the limit is one of the definitions."""
    key, other = own
    before, digest = row(library, key), store.about(desk.folder(library)).definitions
    assert before["pauses_over_limit"] == 0
    assert desk.changed(library) is None
    (library.folder / "protocols" / "ours.toml").write_text(SHORT, encoding="utf-8")
    assert desk.out_of_date(library)
    assert not desk.update(library, key)
    assert row(library, key)["pauses_over_limit"] == 0
    assert sorted(build(library)) == [GOOD, CHILD]
    after = row(library, key)
    lengths = cohort.read_events(desk.folder(library), "pauses", ["seconds"], [("key", "==", key)])["seconds"]
    assert after["pauses_over_limit"] == (lengths > 5).sum() > 0
    assert (after["source"], after["version"], after["measured_anew"]) == ("signed", 1, True)
    assert after["definitions_digest"] != before["definitions_digest"]
    assert [path.name for path in desk.earlier(library)] == [digest]
    assert number(library.versions(key)[0].record, "pauses_over_limit")["value"] == 0  # what was signed stays as it was
    found = desk.changed(library).set_index("measure")
    assert found.loc["pauses_over_limit"].tolist()[:5] == [2, 1, 0, 0, after["pauses_over_limit"]]
    assert found.loc["compression_rate", "changed"] == 0
    assert row(library, other)["definitions_digest"] != after["definitions_digest"]


def test_made_anew_under_the_same_definitions_keeps_no_earlier_table(library, own):
    assert sorted(build(library, anew=True)) == [GOOD, CHILD]
    assert desk.earlier(library) == []
    assert sorted(path.name for path in (library.folder / "cohort").iterdir()) == ["now"]


def test_a_build_that_breaks_off_leaves_the_old_table_whole(library, own):
    work = desk.build(library, anew=True)
    next(work)
    work.close()
    assert len(cohort.read(desk.folder(library), ["key"])) == 2
    assert sorted(path.name for path in (library.folder / "cohort").iterdir()) == ["now"]


# Definitions.


def test_the_digest_follows_what_counts_and_not_what_explains(library):
    ours = library.folder / "protocols" / "ours.toml"
    said = []
    for text in ("", "[definitions.long_pause_s]\nsource = 'the medical director'\n", "[definitions]\nlong_pause_s = 8\n"):
        ours.write_text(f'extends = "adult-2020"\n{text}', encoding="utf-8")
        said.append(definitions.in_force(library))
    assert said[0] == said[1]
    assert said[1] != said[2]
    ours.write_text("extends = 7 7", encoding="utf-8")
    assert definitions.in_force(library) not in said


def test_a_record_signed_before_digests_were_kept_is_told_by_what_it_says(library):
    key = bring(library, CHILD)
    review = review_of(open_case(library, key), [])
    kept = signing.record(review)
    kept.pop("definitions", None)
    assert definitions.same_as_signed(kept, review)
    number(kept, "pauses_over_limit")["method"] = "Pauses longer than 8 s."
    assert not definitions.same_as_signed(kept, review)
    assert definitions.same_as_signed({"definitions": definitions.digest(review.protocol)}, review)
    assert not definitions.same_as_signed({"definitions": "other"}, review)


def test_a_key_that_never_was_is_taken_for_a_case_that_is_gone(library):
    bring(library, CHILD)
    build(library)
    assert desk.update(library, "nobody")
    assert len(cohort.read(desk.folder(library), ["key"])) == 1
    with pytest.raises(NoSuchCase):
        library.about("nobody")


def events_file(library, key, name):
    made = row(library, key)
    return desk.folder(library) / name / f"year={made['year']}" / f"month={made['month']:02d}" / f"{name}.parquet"


@pytest.mark.parametrize("name", ["pauses", "shocks"])
def test_a_missing_file_of_events_is_seen_and_its_cases_alone_are_measured_anew(library, name):
    bring(library, THIRD)
    key = bring(library, GOOD)
    build(library)
    file, column = events_file(library, key, name), {"pauses": "pause_rows", "shocks": "shock_rows"}[name]
    before = cohort.read_events(desk.folder(library), name)
    assert row(library, key)[column] == (before["key"] == key).sum() > 0
    list(desk.refresh(library))
    file.unlink()
    assert [case_id for _, case_id, _ in desk.refresh(library)] == [GOOD]
    pd.testing.assert_frame_equal(cohort.read_events(desk.folder(library), name), before)
    assert build(library) == []
    file.unlink()
    assert build(library) == [GOOD]
    file.unlink()
    assert desk.update(library, key)
    assert file.exists()


def test_events_that_are_too_few_are_seen_too(library):
    key = bring(library, GOOD)
    build(library)
    file = events_file(library, key, "pauses")
    held = pq.ParquetFile(file).read()
    pq.write_table(held.slice(1), file)
    assert build(library) == [GOOD]
    assert len(cohort.read_events(desk.folder(library), "pauses")) == len(held)


def test_a_damaged_file_of_events_is_told_and_made_anew_by_the_command(library, capsys):
    key = bring(library, GOOD)
    build(library)
    file = events_file(library, key, "pauses")
    file.write_bytes(b"no parquet")
    with pytest.raises(UnreadableFile, match=r"pauses\.parquet: a file of the cohort table cannot be read; make it anew"):
        list(desk.refresh(library))
    where = ["cohort", "--library", str(library.folder)]
    assert main(where) == 1
    assert "pauses.parquet" in capsys.readouterr().err
    assert main([*where, "--anew"]) == 0
    assert len(cohort.read_events(desk.folder(library), "pauses")) == row(library, key)["pause_rows"]


def test_measures_kept_alone_whose_pauses_are_lost_are_told_once(library):
    key = bring(library, GOOD)
    build(library)
    library.remove(key, who="M. Ortiz", measures_kept=True)
    events_file(library, key, "pauses").unlink()
    ((_, case_id, said),) = desk.refresh(library)
    assert case_id == GOOD
    assert "cannot be made anew" in said
    assert list(desk.refresh(library)) == []
    assert pd.isna(row(library, key)["pause_rows"])


@pytest.mark.parametrize("name", ["cases", "pauses"])
def test_a_damaged_month_does_not_keep_the_table_from_being_made_anew(library, name):
    """One case has its measures alone, in the damaged month; another one in a month that is sound; a third is measured anew."""
    lost, stays, measured = (bring(library, one) for one in (GOOD, THIRD, CHILD))
    build(library)
    file = events_file(library, lost, name)
    for key in (lost, stays):
        library.remove(key, who="M. Ortiz", measures_kept=True)
    file.write_bytes(b"no parquet")
    done = [(case_id, said) for _, case_id, said in desk.build(library, anew=True)]
    assert (CHILD, "") in done
    ((what, said),) = [one for one in done if one[1]]
    assert what == f"{name} of year={file.parent.parent.name[5:]}/month={file.parent.name[6:]}"
    assert "cannot be read" in said
    kept = set(cohort.read(desk.folder(library), ["key"])["key"])
    assert kept == ({stays, measured} if name == "cases" else {lost, stays, measured})
    assert stays in set(cohort.read_events(desk.folder(library), "pauses")["key"])
    assert build(library, anew=True) == [CHILD]


def test_a_damaged_month_that_held_no_measures_kept_alone_is_not_spoken_of(library):
    stays, measured = bring(library, THIRD), bring(library, GOOD)
    build(library)
    file = events_file(library, measured, "cases")
    library.remove(stays, who="M. Ortiz", measures_kept=True)
    file.write_bytes(b"no parquet")
    assert build(library, anew=True) == [GOOD]
    assert set(cohort.read(desk.folder(library), ["key"])["key"]) == {stays, measured}


def test_a_protocol_file_that_is_broken_is_told_by_the_command(library, capsys):
    bring(library, GOOD)
    (library.folder / "protocols").mkdir(exist_ok=True)
    (library.folder / "protocols" / "adult-2020.toml").write_text('extends = "adult-2020"\n', encoding="utf-8")
    assert main(["cohort", "--library", str(library.folder)]) == 1
    said = capsys.readouterr()
    assert "1 row made" in said.out
    assert "the protocol file adult-2020.toml cannot be used: " in said.err


OTHER = """
import sys
from pathlib import Path
from qi.trends import cohort_store
print("ready", flush=True)
cohort_store.drop(Path(sys.argv[1]), {"nobody"})
print("done", flush=True)
"""


def test_another_program_does_not_write_to_the_table_at_the_same_time(library):
    bring(library, CHILD)
    build(library)
    place = desk.folder(library)
    with alone(place.parent):
        other = subprocess.Popen([sys.executable, "-c", OTHER, str(place)], stdout=subprocess.PIPE, text=True)
        assert other.stdout.readline() == "ready\n"
        with pytest.raises(subprocess.TimeoutExpired):
            other.wait(0.5)
    said, _ = other.communicate(timeout=60)
    assert said == "done\n"
    assert [path.name for path in place.parent.iterdir()] == ["now"]
