"""A table of many cases as CSV or Parquet, with the cautions and with what it was made of in the file itself."""

import io
from collections.abc import Sequence

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from qi.exports import csv_text
from qi.model.cautions import LONG


def csv(table: pd.DataFrame, says: Sequence[str], *, banner: str = "") -> bytes:
    """CSV that a spreadsheet shows and never runs: first lines that begin with # hold the caution and what the table is.

    Parameters: table; says, sentences on its cases, its filters and how they were averaged; banner, the agency's own line.
    """
    caution, _, rows = csv_text.text(_plain(table)).partition("\n")
    lines = [line for sentence in (banner, *says) for line in sentence.splitlines() if line.strip()]
    return "".join([f"{caution}\n", *(csv_text.comment(line) for line in lines), rows]).encode("utf-8")


def parquet(table: pd.DataFrame, says: Sequence[str], *, banner: str = "") -> bytes:
    """Parquet with the cautions and what the table is in its metadata, under cautions and says.

    Parameters: as csv.
    """
    made = pa.Table.from_pandas(_plain(table), preserve_index=False)
    told = {**(made.schema.metadata or {}), b"cautions": " ".join(LONG).encode(), b"says": "\n".join(says).encode()}
    told |= {b"banner": banner.encode()} if banner else {}
    file = io.BytesIO()
    pq.write_table(made.replace_schema_metadata(told), file)
    return file.getvalue()


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    """Named rows as a column, categories and lists as text."""
    named = table if isinstance(table.index, pd.RangeIndex) else table.reset_index(drop=table.index.name is None)
    plain = named.copy()
    plain.columns = [str(name) for name in named.columns]
    for name in plain.columns:
        if isinstance(plain[name].dtype, pd.CategoricalDtype):
            plain[name] = plain[name].astype("str")
        elif plain[name].dtype == object:
            plain[name] = plain[name].map(lambda value: ", ".join(map(str, value)) if isinstance(value, list | tuple) else value)
    return plain
