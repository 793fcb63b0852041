"""Files out: what each holds, as reviewed; read again by independent libraries; nothing of the case's number where it is shared."""

import io
import json
import zipfile

import edfio
import pandas as pd
import pytest

from qi.desk import out
from qi.desk.bring_in import bring_in
from qi.desk.correcting import correction
from qi.desk.opened import open_case, review_of
from qi.intake.header import Given
from qi.model.cautions import SHORT
from qi.model.errors import NoSuchCase
from tests.desk.conftest import SAMPLES

NUMBER = "rv-2031-0107"


@pytest.fixture
def reviewed(library, good):
    """The case with a pause of 30 s that a reviewer put in."""
    opened = open_case(library, good)
    made = correction(review_of(opened, []), "add", "pause", 100.0, 130.0, why="seen", value="moving")
    library.write(good, "correction", made.record(), who="tester", after=0)
    return review_of(opened, library.lines(good))


def unpacked(packed):
    return zipfile.ZipFile(io.BytesIO(packed))


def content(packed):
    """Names and bytes of all files in a zip."""
    archive = unpacked(packed)
    return b"\n".join(name.encode() + archive.read(name) for name in archive.namelist())


def test_the_waveforms_open_in_an_independent_reader_with_the_reviewer_s_pause(reviewed, tmp_path):
    (tmp_path / "case.edf").write_bytes(out.edf(reviewed))
    edf = edfio.read_edf(tmp_path / "case.edf")
    assert len(edf.signals) >= len(reviewed.case.signals)
    told = [one for one in edf.annotations if one.duration and abs(one.duration - 30.0) < 0.2]
    assert any("pause" in one.text.casefold() or "moving" in one.text.casefold() for one in told)


def test_tables_come_with_a_codebook_that_knows_their_columns(reviewed):
    archive = unpacked(out.tables(reviewed))
    names = archive.namelist()
    assert names == sorted(names)
    csv = [name for name in names if name.endswith(".csv") and not name.startswith("codebook")]
    assert {name.removesuffix(".csv") for name in csv} == {
        name.removesuffix(".parquet") for name in names if name.endswith(".parquet")
    }
    pauses = pd.read_parquet(io.BytesIO(archive.read("pauses.parquet")))
    assert (pauses["seconds"] - 30.0).abs().min() < 0.01
    codebook = archive.read(next(name for name in names if name.startswith("codebook"))).decode()
    for column in pauses.columns:
        assert column in codebook
    assert SHORT[:40] in archive.read("measures.csv").decode()


def test_the_bundle_holds_the_measures_as_reviewed(reviewed):
    bundle = json.loads(out.fhir(reviewed))
    assert bundle["resourceType"] == "Bundle"
    told = [one["resource"] for one in bundle["entry"] if one["resource"]["resourceType"] == "Observation"]
    longest = [one for one in told if "longest pause" in json.dumps(one["code"]).casefold()]
    assert any(one.get("valueQuantity", {}).get("value") == pytest.approx(30.0, abs=0.01) for one in longest)


def test_a_shared_case_names_neither_the_case_nor_day_nor_crew(reviewed):
    archive = unpacked(out.shareable(reviewed))
    assert archive.testzip() is None
    held = content(out.shareable(reviewed))
    for private in (NUMBER, "Medic 31", "C-104", "2031-03-18", "tester"):
        assert private.encode() not in held
    assert len(archive.namelist()) > 3
    assert content(out.shareable(reviewed)) != held, "each time under a random number of its own"


def test_the_same_files_make_the_same_archive(tmp_path):
    (tmp_path / "b").write_text("2", encoding="utf-8")
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "one").write_text("1", encoding="utf-8")
    first = out.zipped(tmp_path)
    assert first == out.zipped(tmp_path)
    assert unpacked(first).namelist() == ["a/one", "b"]
    assert unpacked(first).read("b") == b"2"


def test_a_case_is_written_as_its_reviewer_left_it(library, reviewed, tmp_path):
    written = out.write(library, NUMBER, tmp_path / "out", identity=True)
    assert all(path.is_file() for path in written)
    measures = pd.read_csv(tmp_path / "out" / f"{NUMBER}-tables" / "measures.csv", comment="#")
    column = next(name for name in measures.columns if "value" in name)
    row = measures[measures.iloc[:, 0].eq("longest_pause_s") | measures.isin(["longest_pause_s"]).any(axis=1)].iloc[0]
    assert float(row[column]) == pytest.approx(30.0, abs=0.01)
    again = out.write(library, NUMBER, tmp_path / "out", identity=True)
    assert again == written


def test_a_number_that_is_none_or_several_is_refused(library, good, tmp_path):
    with pytest.raises(NoSuchCase, match="no case of the number rv"):
        out.write(library, "rv", tmp_path / "out", identity=True)
    bring_in(library, SAMPLES / "rv-2031-0131" / "stroke.csv", who="tester", agency="Another", given=Given(NUMBER))
    with pytest.raises(NoSuchCase, match="2 cases of the number"):
        out.write(library, NUMBER, tmp_path / "out", identity=True)
    assert not (tmp_path / "out").exists()
