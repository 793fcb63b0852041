"""What was found on a case, as Parquet tables."""

from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from qi.model.cautions import LONG
from qi.model.review import Review

COLUMNS = {
    "compressions": ("time_s", "onset_s", "release_s", "depth_mm", "residual_mm", "residual_n", "sensor"),
    "ventilations": ("time_s", "insufflation_s", "etco2_mmhg", "peak_cmh2o", "sensor"),
    "pauses": ("start_s", "end_s", "seconds", "cause"),
    "shocks": ("time_s", "energy_j", "pre_s", "post_s"),
}


def write(folder: Path, review: Review, *, banner: str = "") -> list[Path]:
    """Write compressions, ventilations, pauses and shocks of one case to `folder`/<case id>/; each file says cautions and protocol.

    Parameters: folder; review; banner, the agency's own line, in each file's metadata.
    Returns: the files written. A column that could not be measured is there and null.
    """
    place = folder / review.case.id
    place.mkdir(parents=True, exist_ok=True)
    said = {b"cautions": " ".join(LONG).encode(), b"protocol": review.protocol.name.encode()}
    said |= {b"protocol_chosen_by": review.protocol.chosen_by.encode()} | ({b"banner": banner.encode()} if banner else {})
    tables = {name: getattr(review.findings, name)[list(columns)] for name, columns in COLUMNS.items()}
    return [_one(place / f"{name}.parquet", table, said) for name, table in tables.items()]


def _one(path: Path, table: pd.DataFrame, said: dict[bytes, bytes]) -> Path:
    arrow = pa.Table.from_pandas(table, preserve_index=False)
    arrow = arrow.replace_schema_metadata({**(arrow.schema.metadata or {}), **said})
    pq.write_table(arrow, path)
    return path
