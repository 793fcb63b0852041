"""The cohort table on disk: partitioned Parquet, one file a month, which is rewritten whole when a case of that month changes.

    cohort.json                                     definitions and when it was made
    cases/year=2031/month=03/cases.parquet          one row a case (COHORT); year=0/month=00 where the call's time is not known
    pauses/year=2031/month=03/pauses.parquet        every pause (COHORT_PAUSES)
    shocks/year=2031/month=03/shocks.parquet        every shock (COHORT_SHOCKS)

A column that is missing throughout a month is left out of its file. All of it is computed and can be made anew. One writer at a
time, of this program or another (qi.trends.write_lock).
"""

import json
import os
import secrets
import shutil
import threading
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as ds
import pyarrow.parquet as pq

from qi.model.errors import UnreadableFile
from qi.model.tables import Column
from qi.trends.cohort_columns import TABLES, check
from qi.trends.write_lock import alone

FORMAT = 1
NAME = "cohort.json"
REBUILD = "make it anew with: python -m qi cohort --anew"

Filters = Sequence[tuple[str, str, Any]]
Month = tuple[int, int]
_TYPES: Mapping[str, pa.DataType] = {
    "float": pa.float64(),
    "text": pa.string(),
    "word": pa.dictionary(pa.int32(), pa.string()),
    "whole": pa.int32(),
    "flag": pa.bool_(),
    "moment": pa.timestamp("us", "UTC"),
    "day": pa.timestamp("us"),
}
_ORDER = {"cases": ("call_at", "key"), "pauses": ("key", "start_s"), "shocks": ("key", "time_s")}
_BY_MONTH = pa.schema([("year", pa.int32()), ("month", pa.int32())])
_WRITING = threading.Lock()


@dataclass(frozen=True)
class About:
    """What stands beside a table: digest of the definitions that it was made under, and when it was begun."""

    definitions: str
    made_at: datetime


def schema(columns: Sequence[Column]) -> pa.Schema:
    """The Arrow types of a contract."""
    return pa.schema([(column.name, _TYPES[column.kind]) for column in columns])


_SCHEMAS = {name: schema(columns) for name, columns in TABLES.items()}
_FULL = {
    name: one if "year" in one.names else pa.schema([*one, *_BY_MONTH]) for name, one in _SCHEMAS.items()
}  # events have year and month from their folder alone


def made(rows: Iterable[Mapping[str, Any]], columns: Sequence[Column]) -> pd.DataFrame:
    """Rows as a checked table; a column that a row does not have is missing."""
    table = pa.Table.from_pylist(list(rows), schema=schema(columns))
    return check(_to_pandas(table), columns)


def _to_pandas(table: pa.Table) -> pd.DataFrame:
    return table.unify_dictionaries().to_pandas()


def begin(folder: Path, about: About) -> None:
    """Begin an empty table in a folder, made where it is not there."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    told = {"format": FORMAT, "definitions": about.definitions, "made_at": about.made_at.isoformat()}
    (folder / NAME).write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


def about(folder: Path) -> About:
    """What stands beside the table of a folder.

    Raises: UnreadableFile where there is no table, or one that this release does not know.
    """
    try:
        told = json.loads((folder / NAME).read_text(encoding="utf-8"))
        if told["format"] != FORMAT:
            raise UnreadableFile(folder / NAME, f"is of format {told['format']}, this release knows {FORMAT}; {REBUILD}")
        return About(str(told["definitions"]), datetime.fromisoformat(told["made_at"]))
    except FileNotFoundError as error:
        raise UnreadableFile(folder / NAME, f"there is no cohort table yet; {REBUILD}") from error
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UnreadableFile(folder / NAME, f"cannot be read ({error}); {REBUILD}") from error


def read(folder: Path, table: str, columns: Sequence[str] | None = None, filters: Filters | None = None) -> pd.DataFrame:
    """Columns of a table, in order of the calls; only the files and columns asked for are read.

    Parameters: folder, of the cohort; table, cases, pauses or shocks; columns, names, None for all; filters, of which every one
    must hold: (column, one of == != < <= > >= in "not in", value), where year and month leave out whole files.
    Returns: the table, words as categories.
    Raises: UnreadableFile where there is no table, or a file of it is damaged; KeyError for a column that there is not.
    """
    about(folder)
    full = _FULL[table]
    asked = list(_SCHEMAS[table].names) if columns is None else list(columns)
    if unlike := [name for name in (*asked, *(one[0] for one in filters or ())) if name not in full.names]:
        raise KeyError(f"the cohort table of {table} has no column {', '.join(unlike)}")
    if not months(folder, table):
        return _to_pandas(full.empty_table().select(asked))
    chosen = pq.filters_to_expression([tuple(one) for one in filters]) if filters else None
    try:
        return _to_pandas(_dataset(folder, table).to_table(columns=asked, filter=chosen))
    except (OSError, pa.ArrowException) as error:
        raise UnreadableFile(folder / table, f"a file of the cohort table cannot be read; {REBUILD}") from error


def counts(folder: Path, table: str) -> dict[Month, int]:
    """How many rows each month's file of a table holds, as the file itself says; a month without a file is not in it.

    Raises: UnreadableFile for a file that is damaged.
    """
    found = {}
    for file in sorted((folder / table).glob(f"year=*/month=*/{table}.parquet")):
        try:
            held = pq.read_metadata(file).num_rows
        except FileNotFoundError:  # taken away meanwhile
            continue
        except (OSError, pa.ArrowException) as error:
            raise UnreadableFile(file, f"a file of the cohort table cannot be read; {REBUILD}") from error
        year, month = (int(part.name.partition("=")[2]) for part in (file.parent.parent, file.parent))
        found[year, month] = held
    return found


def months(folder: Path, table: str) -> list[Month]:
    """The months that a table has a file of, in order."""
    files = (folder / table).glob(f"year=*/month=*/{table}.parquet")
    return sorted((int(one.parent.parent.name.partition("=")[2]), int(one.parent.name.partition("=")[2])) for one in files)


def _dataset(folder: Path, table: str, only: Path | None = None) -> ds.FileSystemDataset:
    full = _FULL[table]
    words = [field.name for field in full if pa.types.is_dictionary(field.type)]
    found = [only] if only else (folder / table).glob(f"year=*/month=*/{table}.parquet")
    files = sorted(str(path) for path in found)
    layout = ds.partitioning(_BY_MONTH, flavor="hive")
    base = str(folder / table)
    return ds.dataset(files, full, ds.ParquetFileFormat(dictionary_columns=words), partitioning=layout, partition_base_dir=base)


def put(folder: Path, cases: pd.DataFrame, pauses: pd.DataFrame, shocks: pd.DataFrame) -> None:
    """Put cases in, in place of their rows that stand there; only the months they are and were in are written.

    Parameters: folder, of a table that was begun; cases, COHORT; pauses and shocks, of these cases.
    Raises: BadTable where one breaks its contract. A month's file takes the place of the old one at once or not at all; the month
    that a case moves to is written before the one it leaves, and putting the case in again mends what broke off between.
    """
    fresh = {"cases": cases, "pauses": pauses, "shocks": shocks}
    for name, table in fresh.items():
        check(table, TABLES[name])
    months = dict(zip(cases["key"], zip(cases["year"].tolist(), cases["month"].tolist(), strict=True), strict=True))
    with _WRITING, alone(folder.parent):
        _rewrite(folder, set(months), {name: _in_months(table, months) for name, table in fresh.items()})


def drop(folder: Path, keys: Collection[str]) -> None:
    """Take cases out of a table."""
    with _WRITING, alone(folder.parent):
        _rewrite(folder, set(keys), {name: {} for name in TABLES})


def _in_months(table: pd.DataFrame, months: Mapping[str, Month]) -> dict[Month, pd.DataFrame]:
    where = table["key"].map(lambda key: months[key])
    return {month: table[(where == month).to_numpy()] for month in dict.fromkeys(where)}


def _rewrite(folder: Path, keys: set[str], fresh: Mapping[str, Mapping[Month, pd.DataFrame]]) -> None:
    """Every month that holds one of these keys, or shall, without their old rows and with their new ones."""
    to = list(fresh["cases"])
    left = [month for month in _months_of(folder, keys) if month not in fresh["cases"]]
    for month in [*to, *left]:
        for name in ("pauses", "shocks", "cases"):
            _write(_file(folder, name, month), name, _kept(folder, name, month, keys), fresh[name].get(month))


def _months_of(folder: Path, keys: set[str]) -> list[Month]:
    if not keys or not (folder / "cases").is_dir():
        return []
    held = read(folder, "cases", ["year", "month"], [("key", "in", sorted(keys))]).drop_duplicates()
    return [(int(year), int(month)) for year, month in held.itertuples(index=False)]


def _file(folder: Path, name: str, month: Month) -> Path:
    return folder / name / f"year={month[0]}" / f"month={month[1]:02d}" / f"{name}.parquet"


def _kept(folder: Path, name: str, month: Month, keys: set[str]) -> pa.Table | None:
    """The rows of a month that stay."""
    file = _file(folder, name, month)
    if not file.exists():
        return None
    stays = ~pc.is_in(pc.field("key"), pa.array(sorted(keys), pa.string()))
    written = {
        *pq.read_schema(file).names,
        *_BY_MONTH.names,
        *_ORDER[name],
    }  # what is missing throughout takes time to read all the same
    columns = [one for one in _SCHEMAS[name].names if one in written]
    return _dataset(folder, name, file).to_table(columns=columns, filter=stays)


def _write(file: Path, name: str, kept: pa.Table | None, fresh: pd.DataFrame | None) -> None:
    parts = [] if kept is None else [kept]
    if fresh is not None and len(fresh):
        some = dict(zip(fresh.columns, fresh.notna().to_numpy().any(axis=0), strict=True))
        held = [one for one in fresh.columns if some[one] or one in _ORDER[name]]
        types = pa.schema([_SCHEMAS[name].field(one) for one in held])
        parts.append(pa.Table.from_pandas(fresh[held], schema=types, preserve_index=False))
    whole = pa.concat_tables(parts, promote_options="default").unify_dictionaries() if parts else None
    if whole is None or not len(whole):
        file.unlink(missing_ok=True)
        return
    whole = whole.sort_by([(column, "ascending") for column in _ORDER[name]])
    stored = [one for one in whole.column_names if one not in _BY_MONTH.names and whole[one].null_count < len(whole)]
    words = [one for one in stored if pa.types.is_dictionary(whole.schema.field(one).type)]
    file.parent.mkdir(parents=True, exist_ok=True)
    unfinished = file.with_name(f".{secrets.token_hex(8)}.unfinished")
    try:
        pq.write_table(
            whole.select(stored),
            unfinished,
            compression="zstd",
            use_dictionary=words,
            write_statistics=["key"],
            store_schema=False,
        )
        os.replace(unfinished, file)  # noqa: PTH105 - the one that takes the place of a file on every system
    finally:
        unfinished.unlink(missing_ok=True)


def take_place(fresh: Path, now: Path, earlier: Path | None) -> None:
    """Let a table that was made take the place of the one that stands.

    Parameters: fresh, its folder; now, where it shall stand; earlier, the folder in which what stands there is kept, under the
    digest of its definitions (one that is kept there already is replaced); None where it is not kept.
    """
    with _WRITING, alone(now.parent):
        gone = now.with_name(f".old-{secrets.token_hex(8)}")
        if now.exists():
            kept = gone if earlier is None else earlier / about(now).definitions
            shutil.rmtree(kept, ignore_errors=True)
            kept.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            now.rename(kept)
        fresh.rename(now)
    shutil.rmtree(gone, ignore_errors=True)
