"""Tables of a case as CSV and Parquet: the codebook tells of every column, and the tables hold what was found."""

import io

import pandas as pd
import pyarrow.parquet as pq
import pytest

from qi.exports import case_tables, codebook
from qi.model.cautions import SHORT
from qi.pipeline import MEASURE_IDS
from tests.exports.made import GOOD, SAMPLES, corrected, sample


def read_csv(path):
    first, _, rest = path.read_text(encoding="utf-8").partition("\n")
    assert first == f"# {SHORT}"
    return pd.read_csv(io.StringIO(rest), dtype=str, keep_default_na=False)


@pytest.fixture(scope="module", params=SAMPLES, ids=lambda path: path.name)
def written(request, tmp_path_factory):
    """The tables and the codebook of a sample case."""
    folder = tmp_path_factory.mktemp("tables")
    review = sample(request.param)
    files = [*case_tables.write(folder, review), codebook.write(folder, review)]
    return folder, review, files


def test_every_column_of_every_file_is_in_the_codebook_and_every_row_of_it_in_a_file(written):
    folder, _, files = written
    assert sorted(folder.iterdir()) == sorted(files)
    there = set()
    for path in files:
        names = pq.read_schema(path).names if path.suffix == ".parquet" else list(read_csv(path).columns)
        there |= {(path.stem, path.suffix, name) for name in names}
    rows = read_csv(folder / "codebook.csv")
    told = {(row.table, row.column) for row in rows.itertuples()}
    assert {(table, column) for table, ending, column in there if ending == ".csv"} == told
    assert {(table, column) for table, ending, column in there if ending == ".parquet"} == {
        one for one in told if one[0] != "codebook"
    }
    plain = rows[rows["measure"] == ""]
    assert not plain.duplicated(["table", "column"]).any()
    assert (rows["meaning"] != "").all()


def test_every_measure_is_in_the_codebook_with_its_unit_method_and_source(written):
    folder, review, _ = written
    rows = read_csv(folder / "codebook.csv")
    measures = rows[rows["measure"] != ""].set_index("measure")
    assert list(measures.index) == list(MEASURE_IDS)
    for one in review.numbers:
        row = measures.loc[one.id]
        assert (row["unit"], row["method"], row["source"]) == (one.unit, one.method, one.source)
        assert one.limit is None or row["limit"] == one.limit.text


def test_every_cell_is_of_the_type_and_among_the_values_that_the_codebook_allows(written):
    folder, _, _ = written
    rows = read_csv(folder / "codebook.csv")
    for row in rows[(rows["measure"] == "") & (rows["table"] != "codebook")].itertuples():
        cells = pd.read_parquet(folder / f"{row.table}.parquet")[row.column]
        number = pd.api.types.is_float_dtype(cells)
        assert row.type == ("number" if number else "true or false" if pd.api.types.is_bool_dtype(cells) else "text")
        if row.may_be_missing == "False":
            assert cells.notna().all(), (row.table, row.column)
        closed = row.allowed and "as charted" not in row.allowed and "separated by spaces" not in row.allowed
        if closed and row.column not in ("sensor", "source") and row.type == "text":
            assert set(cells.dropna()) <= set(row.allowed.split("; ")), (row.table, row.column)


def test_csv_and_parquet_hold_the_same_and_each_says_the_cautions(written):
    _, _, files = written
    for path in files:
        if path.suffix != ".parquet":
            continue
        assert b"quality improvement" in pq.read_schema(path).metadata[b"cautions"]
        table, text = pd.read_parquet(path), read_csv(path.with_suffix(".csv"))
        assert list(table.columns) == list(text.columns)
        assert len(table) == len(text)
        for name in table.columns:
            if pd.api.types.is_float_dtype(table[name]):
                again = text[name].replace("", "nan").astype(float)
                pd.testing.assert_series_equal(again, table[name], check_dtype=False, rtol=1e-12)


def test_tables_hold_what_was_found(written):
    folder, review, _ = written
    found = review.findings
    assert len(pd.read_parquet(folder / "compressions.parquet")) == len(found.compressions)
    assert len(pd.read_parquet(folder / "events.parquet")) == len(review.case.events)
    measures = pd.read_parquet(folder / "measures.parquet")
    assert len(measures) == len(review.numbers)
    for row, one in zip(measures.itertuples(), review.numbers, strict=True):
        assert row.id == one.id
        assert (row.value != row.value) == (one.value is None)
        assert one.value is None or row.value == one.value
    arrest = pd.read_parquet(folder / "arrest.parquet")
    spans = arrest[arrest["state"] == "arrest"]
    assert (spans["end_s"] - spans["start_s"]).sum() == pytest.approx(found.arrest.seconds)


def test_what_a_person_said_stands_apart_from_what_a_machine_found_and_a_file_charts():
    tables = {name: table.rows for name, table in case_tables.tables(corrected()).items()}
    plain = {name: table.rows for name, table in case_tables.tables(sample(GOOD)).items()}
    counts = {name: dict(tables[name]["told_by"].value_counts()) for name in ("compressions", "ventilations", "events", "shocks")}
    assert counts["compressions"] == {"machine": len(plain["compressions"]), "reviewer": 1}
    assert counts["ventilations"] == {"machine": len(plain["ventilations"]), "reviewer": 1}
    assert counts["events"] == {"file": len(plain["events"]), "reviewer": 1}
    assert counts["shocks"] == {"file": len(plain["shocks"]), "reviewer": 1}
    assert set(plain["events"]["told_by"]) == {"file"}
    assert list(tables["pauses"].loc[tables["pauses"]["cause_by"] == "reviewer", "cause"]) == ["moving"]
    assert list(tables["corrections"]["subject"]) == ["compression", "shock", "pause", "ventilation"]
    assert list(tables["corrections"]["why"].dropna()) == ["seen on the film", "said by the crew", "stairs"]
    assert plain["corrections"].empty


def test_text_that_would_start_a_formula_is_written_so_that_it_does_not(tmp_path):
    rows = case_tables.tables(sample(GOOD))["events"].rows.head(1).assign(text="=HYPERLINK(1)")
    path = case_tables.write_csv(tmp_path / "events.csv", rows)
    assert read_csv(path)["text"][0] == "'=HYPERLINK(1)"
