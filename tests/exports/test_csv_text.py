"""CSV that we write: read back as it was, and never run by a spreadsheet (bad input table, last but one line)."""

import io
from pathlib import Path

import pandas as pd
import pytest

from qi import pipeline
from qi.exports import csv_text

GOOD = Path(__file__).parents[2] / "sample_cases" / "rv-2031-0107"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-2+3", "@SUM(A1)", "\t=1"])
def test_text_that_would_start_a_formula_is_written_so_that_it_does_not(text):
    written = csv_text.text(pd.DataFrame({"what": [text, "plain = text"], text: [1.5, -2.0]}))
    back = pd.read_csv(io.StringIO(written, newline=""), comment="#", dtype=str)
    assert back["what"].tolist() == [f"'{text}", "plain = text"]
    assert back.columns[1].startswith("'")
    assert back.iloc[1, 1] == "-2.0"


def test_a_table_comes_back_as_it_was_with_the_caution_above_it():
    review = pipeline.measure_case(GOOD)
    written = csv_text.measures(review)
    assert "quality improvement" in written.splitlines()[0]
    back = pd.read_csv(io.StringIO(written), skiprows=1)
    assert len(back) == len(review.numbers)
    fraction = back[back["id"] == "compression_fraction"].iloc[0]
    assert fraction["value"] == pytest.approx(review.of("compression_fraction").value, abs=1e-6)
    assert set(back["protocol"]) == {"adult-2020"}
    assert pd.read_csv(io.StringIO(csv_text.pauses(review)), skiprows=1)["seconds"].sum() == pytest.approx(
        review.of("no_flow_s").value
    )
