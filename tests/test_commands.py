"""The command line on a library: bring in, outcomes, known arrests, cohort, export, rebuild, check; and its exit status."""

import json
import shutil
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from qi.__main__ import main
from qi.desk import cohort
from qi.desk.bring_in import bring_in
from qi.library.library import Library
from qi.model.cautions import SHORT
from qi.trends.cohort import read_events

SAMPLES = Path(__file__).parents[1] / "sample_cases"


@pytest.fixture
def library(tmp_path, monkeypatch):
    monkeypatch.delenv("QI_DATABASE", raising=False)
    return tmp_path / "library"


def run(*words):
    return main([str(word) for word in words])


def test_a_folder_of_folders_however_deep_and_again(library, tmp_path, capsys):
    deep = tmp_path / "2031" / "march"
    for case in ("rv-2031-0107", "rv-2031-0131"):
        shutil.copytree(SAMPLES / case, deep / case)
    assert run("bring-in", tmp_path / "2031", "--library", library, "--agency", "Rillstone Valley EMS", "--by", "night") == 0
    assert "2 brought in" in capsys.readouterr().out
    assert run("bring-in", tmp_path / "2031", "--library", library) == 0
    assert "2 there already" in capsys.readouterr().out
    with Library.open(library) as opened:
        assert sorted(entry.case_id for entry in opened.entries()) == ["rv-2031-0107", "rv-2031-0131"]
        assert {entry.entered_by for entry in opened.entries()} == {"night"}


def test_a_case_that_cannot_be_read_is_named_and_the_rest_comes_in(library, tmp_path, capsys):
    place = tmp_path / "night"
    shutil.copytree(SAMPLES / "rv-2031-0131", place / "good")
    (place / "bad").mkdir(parents=True)
    (place / "bad" / "monitor.edf").write_bytes((SAMPLES / "rv-2031-0107" / "monitor.edf").read_bytes()[:200])
    assert run("bring-in", place, "--library", library) == 1
    said = capsys.readouterr()
    assert "1 brought in" in said.out
    assert "monitor.edf" in said.err


def test_outcomes_rebuild_and_check(library, tmp_path, capsys):
    run("bring-in", SAMPLES / "rv-2031-0107", "--library", library)
    table = tmp_path / "outcomes.csv"
    table.write_text("case,sustained_rosc\nrv-2031-0107,yes\nnobody,no\n", encoding="utf-8")
    assert run("outcomes", table, "--library", library) == 1
    said = capsys.readouterr()
    assert "1 of 2 rows joined" in said.out
    assert "nobody" in said.err
    with Library.open(library) as opened:
        (key,) = opened.keys()
        shutil.rmtree(library / "cases" / key / "stored")
        original = next(path for path in opened.originals_folder(key).iterdir() if path.suffix == ".edf")
    assert run("rebuild", "--library", library) == 0
    with Library.open(library) as opened:
        assert opened.case(key).id == "rv-2031-0107"
    assert run("check", "--library", library) == 0
    original.chmod(0o600)
    original.write_bytes(original.read_bytes() + b" ")
    assert run("check", "--library", library) == 1
    assert "monitor.edf" in capsys.readouterr().err


def test_the_cohort_table_follows_the_definitions_and_keeps_the_earlier_values(library, tmp_path, capsys):
    """Pauses over 5 s instead of 10 s in the agency's own protocol, which one of the two cases names."""
    night = tmp_path / "night"
    for case in ("rv-2031-0107", "rv-2031-0131"):
        shutil.copytree(SAMPLES / case, night / case)
    header = night / "rv-2031-0107" / "case.toml"
    text = header.read_text(encoding="utf-8")
    header.write_text(text.replace('id = "rv-2031-0107"', 'id = "rv-2031-0107"\nprotocol = "ours"'), encoding="utf-8")
    ours = library / "protocols" / "ours.toml"
    ours.parent.mkdir(parents=True)
    ours.write_text('extends = "adult-2020"\n', encoding="utf-8")
    assert run("bring-in", night, "--library", library) == 0
    capsys.readouterr()
    assert run("cohort", "--library", library) == 0
    assert capsys.readouterr().out == "0 rows made\n"
    ours.write_text('extends = "adult-2020"\n[definitions]\nlong_pause_s = 5\n', encoding="utf-8")
    assert run("cohort", "--library", library) == 0
    assert capsys.readouterr().out == "2 rows made\n"
    with Library.open(library) as opened:
        found = cohort.changed(opened).set_index("measure")
        lengths = read_events(cohort.folder(opened), "pauses")
        key = next(entry.key for entry in opened.entries() if entry.case_id == "rv-2031-0107")
    over = int((lengths.loc[lengths["key"] == key, "seconds"] > 5).sum())
    assert found.loc["pauses_over_limit", ["cases", "changed"]].tolist() == [2, 1]
    assert found.loc["pauses_over_limit", "largest_change"] == over - 0 > 0
    assert found.loc["compression_rate", "changed"] == 0
    assert run("cohort", "--anew", "--library", library) == 0
    assert capsys.readouterr().out == "2 rows made\n"


def test_a_case_without_a_row_is_named(library, capsys):
    run("bring-in", SAMPLES / "rv-2031-0131", "--library", library)
    with Library.open(library) as opened:
        (key,) = opened.keys()
    shutil.rmtree(library / "cases" / key)
    capsys.readouterr()
    assert run("cohort", "--anew", "--library", library) == 1
    said = capsys.readouterr()
    assert said.out == "0 rows made, 1 could not be\n"
    assert said.err.startswith("rv-2031-0131: ")


def test_a_list_of_known_arrests(library, tmp_path, capsys):
    listed = tmp_path / "dispatch.csv"
    listed.write_text("case,date\nRV-1,2031-04-17\nRV-2,soon\n", encoding="utf-8")
    assert run("known", listed, "--library", library) == 1
    assert "whose arrests" in capsys.readouterr().err
    assert run("known", listed, "--agency", "Rillstone Valley EMS", "--library", library) == 1
    said = capsys.readouterr()
    assert said.out == "2 rows: 1 arrest new, 0 known already, 1 row not kept\n"
    assert "line 3, RV-2" in said.err
    (library / "library.toml").write_text('[agency]\nname = "Rillstone Valley EMS"\n', encoding="utf-8")
    listed.write_text("case,date\nRV-1,2031-04-17\n", encoding="utf-8")
    assert run("known", listed, "--library", library) == 0
    assert "0 arrests new, 1 known already" in capsys.readouterr().out


def test_a_case_goes_out_as_files_with_and_without_identity(library, tmp_path):
    run("bring-in", SAMPLES / "rv-2031-0107", "--library", library)
    out = tmp_path / "out"
    assert run("export", "rv-2031-0107", out, "--library", library) == 0
    bundle = json.loads((out / "rv-2031-0107-fhir.json").read_text(encoding="utf-8"))
    assert bundle["resourceType"] == "Bundle"
    tables = out / "rv-2031-0107-tables"
    assert SHORT[:20] in (tables / "measures.csv").read_text(encoding="utf-8")
    assert pq.read_table(tables / "pauses.parquet").num_rows > 0
    assert (tables / "codebook.csv").is_file()
    assert (out / "rv-2031-0107.edf").stat().st_size > 1_000_000
    shared = tmp_path / "shared"
    assert run("export", "rv-2031-0107", shared, "--without-identity", "--library", library) == 0
    names = [path.as_posix() for path in shared.rglob("*")]
    assert names
    assert not any("rv-2031-0107" in name.removeprefix(shared.as_posix()) for name in names)


def test_a_number_that_is_not_there_is_said(library, tmp_path, capsys):
    run("bring-in", SAMPLES / "rv-2031-0131", "--library", library)
    assert run("export", "nobody", tmp_path / "out", "--library", library) == 1
    assert "no case of the number nobody" in capsys.readouterr().err


def test_people_are_listed_added_and_ended(library, capsys):
    add = ["people", "add", "R.Adeyemi@example.org", "--name", "R. Adeyemi", "--role", "medical_director", "--by", "setting up"]
    assert run(*add, "--library", library) == 0
    assert run("people", "add", "sub-7", "--role", "crew", "--crew", "C-17", "--crew", "C-18", "--library", library) == 0
    said = capsys.readouterr().out
    assert "1  r.adeyemi@example.org: R. Adeyemi, medical_director, since" in said
    assert "sub-7: sub-7, crew (crew C-17, C-18), since" in said
    assert run("people", "add", "sub-8", "--role", "chief", "--library", library) == 1
    assert run("people", "end", "sub-7", "--library", library, "--by", "R. Adeyemi") == 0
    assert run("people", "list", "--library", library) == 0
    assert "by R. Adeyemi" in capsys.readouterr().out.splitlines()[-1]
    with Library.open(library) as opened:
        first = opened.log_lines(did="people changed")[-1]
        assert (first.who, first.what) == ("setting up", "added, medical director; entry 1, R. Adeyemi")


def test_crew_numbers_are_bound_to_an_agency(library, capsys):
    with Library.open(library) as opened:
        bring_in(opened, SAMPLES / "rv-2031-0107", who="x", agency="Rillstone Valley EMS")
    crew = ["--role", "crew", "--crew", "C-17", "--library", library]
    assert run("people", "add", "sub-7", "--name", "J. Weller", *crew) == 0
    assert run("people", "add", "sub-8", "--name", "P. Ash", "--agency", "Gallows Hill Rescue", *crew) == 0
    said = capsys.readouterr()
    assert "P. Ash, crew (crew C-17 of Gallows Hill Rescue), since" in said.out
    assert "these see no sheet and no case: J. Weller (C-17)." in said.err
    assert run("people", "add", "sub-9", *crew) == 1
    assert "say of which the crew numbers are" in capsys.readouterr().err
    assert run("people", "bind", "sub-7", "--agency", "Rillstone Valley EMS", "--library", library) == 0
    said = capsys.readouterr()
    assert "sub-7: J. Weller, crew (crew C-17 of Rillstone Valley EMS), since" in said.out
    assert "J. Weller" not in said.err
    assert "No case is of an agency that is written so: Gallows Hill Rescue." in said.err


def test_a_wrong_call_ends_with_2():
    for call in ([], ["bring-in"], ["export", "one"], ["nothing"]):
        with pytest.raises(SystemExit) as left:
            main(call)
        assert left.value.code == 2
