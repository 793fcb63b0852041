"""Tables of many cases as files: cautions and words inside, nothing that a spreadsheet would run, read back by libraries."""

import csv
import io

import pandas as pd
import pyarrow.parquet as pq
import pytest

from qi.exports import trend_files
from qi.model.cautions import LONG, SHORT

TABLE = pd.DataFrame(
    {
        "label": ["2031-01", "=cmd()"],
        "station": pd.Categorical(["1", "@2"]),
        "n": [12, 30],
        "value": [0.5, None],
        "day": pd.to_datetime(["2031-01-01", "2031-02-01"]),
        "causes": [["airway", "shock"], []],
    }
)
SAYS = ["Compression fraction, by month.", "Median of cases: every case counts once.\nCases: station 2, =1+1, -3"]


def test_csv_holds_cautions_and_what_was_averaged():
    lines = trend_files.csv(TABLE, SAYS).decode("utf-8").splitlines()
    assert lines[0] == f"# {SHORT}"
    assert lines[1:3] == [f"# {SAYS[0]}", "# Median of cases: every case counts once."]
    assert lines[4] == "label,station,n,value,day,causes"


def test_no_cell_of_the_csv_starts_a_formula():
    text = trend_files.csv(TABLE, SAYS).decode("utf-8")
    cells = [cell.strip() for row in csv.reader(io.StringIO(text)) for cell in row]
    assert "'=cmd()" in cells
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]


def test_csv_is_read_back():
    back = pd.read_csv(io.BytesIO(trend_files.csv(TABLE, SAYS)), comment="#")
    assert back["n"].tolist() == [12, 30]
    assert back["value"].isna().tolist() == [False, True]


def test_parquet_holds_cautions_and_words_and_keeps_numbers():
    read = pq.read_table(io.BytesIO(trend_files.parquet(TABLE, SAYS)))
    assert read.schema.metadata[b"cautions"].decode() == " ".join(LONG)
    assert read.schema.metadata[b"says"].decode() == "\n".join(SAYS)
    assert read.column("n").to_pylist() == [12, 30]
    assert read.column("causes").to_pylist() == ["airway, shock", ""]


@pytest.mark.parametrize("made", [trend_files.csv, trend_files.parquet])
def test_the_table_given_stays_as_it_was(made):
    before = TABLE.copy()
    made(TABLE, SAYS)
    pd.testing.assert_frame_equal(TABLE, before)
    assert made(TABLE.iloc[:0], [])
