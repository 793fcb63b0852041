"""A whole case as files that open fast: case.json, and beside it the waveforms and the tables of events and vital signs in Parquet.

    case.json                   what the case holds but samples and tables; names the folder of these, in its key "files"
    tables-<hex>/events.parquet, vitals.parquet
    tables-<hex>/signals/01.parquet, …, unplaced/01.parquet, …      one signal each, in the order of the case

All of it is computed and can be rebuilt from the originals. A new version is written into a folder of its own, and stands from the
moment at which its case.json takes the place of the old one: whatever breaks off before leaves the old version whole.
"""

import hashlib
import json
import re
import secrets
import shutil
import time
from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from qi.library import waveforms
from qi.library.originals import private_file, private_folder
from qi.library.plain import kinds, made, plain
from qi.library.waveforms import REBUILD
from qi.model.case import Case, Signal
from qi.model.errors import QiError, UnreadableFile
from qi.model.tables import EVENTS, VITALS, Column, check, make

FORMAT = 1
NAME = "case.json"

_CONTRACTS: Mapping[str, Sequence[Column]] = {"events": EVENTS, "vitals": VITALS}
_SIGNALS = tuple(name for name, kind in kinds(Case).items() if kind == tuple[Signal, ...])
_TABLES = re.compile(r"tables-[0-9a-f]{16}")
# A folder of tables that no case.json names is left over from a write that broke off, once it is this old [s].
_LEFT_OVER_S = 3600.0


def write(folder: Path, case: Case) -> None:
    """Store a case, in place of the one that is stored there.

    Parameters: folder, of this stored case, made if it is not there; case.
    Raises: BadTable where a table of the case breaks its contract or a sample is missing; OSError where the disk refuses. What was
    stored before then stands as it was.
    """
    private_folder(folder)
    before = _named(folder)
    tables = folder / f"tables-{secrets.token_hex(8)}"
    fresh = folder / f".{tables.name}.json"
    try:
        _write_tables(tables, case)
        content = {field.name: plain(getattr(case, field.name)) for field in fields(Case) if field.name not in _in_files()}
        content |= {name: len(getattr(case, name)) for name in _SIGNALS}
        document = {"format": FORMAT, "sha256": _digest(content), "files": tables.name, "case": content}
        with private_file(fresh) as file:
            file.write(json.dumps(document, allow_nan=False, indent=1).encode())
        fresh.replace(folder / NAME)
    except BaseException:
        fresh.unlink(missing_ok=True)
        shutil.rmtree(tables, ignore_errors=True)
        raise
    _clear(folder, keep=tables.name, before=before)


def read(folder: Path) -> Case:
    """Read a stored case.

    Parameters: folder, that write was given.
    Returns: Case, equal to the one that was stored but for samples, which are as qi.library.waveforms gives them back.
    Raises: UnreadableFile where it is missing, damaged, or of another version; the caller then rebuilds it from the originals.
    """
    document = _document(folder)
    try:
        return _case(folder, document)
    except UnreadableFile:
        again = _document(folder)
        if again["files"] == document["files"]:
            raise
        return _case(folder, again)  # another process stored the case anew in between


def read_between(folder: Path, start_s: float, end_s: float) -> list[Signal]:
    """The waveforms of a stretch of a stored case, without reading the rest of it.

    Parameters: folder, that write was given; start_s and end_s, of the stretch [s from case start].
    Returns: the case's signals that have samples there, cut to them.
    Raises: UnreadableFile as read does.
    """
    document = _document(folder)
    files = _signal_files(folder / document["files"], "signals", document["case"]["signals"])
    found = [waveforms.read_between(path, start_s, end_s) for path in files]
    return [signal for signal in found if signal.pieces]


def crew(folder: Path) -> frozenset[str]:
    """The numbers of a stored case's crew members, without reading the rest of it.

    Parameters: folder, that write was given.
    Returns: them as the case's files have them; none where it cannot be read, so that nobody is taken for one of the crew.
    """
    try:
        return frozenset(str(one) for one in _document(folder)["case"]["facts"]["members"])
    except (UnreadableFile, KeyError, TypeError):
        return frozenset()


def _in_files() -> set[str]:
    """Fields of a case that do not stand in case.json."""
    return {*_SIGNALS, *_CONTRACTS}


def _write_tables(tables: Path, case: Case) -> None:
    for name in _SIGNALS:
        private_folder(tables / name)
        signals = getattr(case, name)
        for path, signal in zip(_signal_files(tables, name, len(signals)), signals, strict=True):
            waveforms.write(path, signal)
    for name, columns in _CONTRACTS.items():
        table = check(getattr(case, name), columns)
        arrays = [pa.array(table[column.name].array, from_pandas=True) for column in columns]
        with private_file(tables / f"{name}.parquet") as file:
            content = pa.table(arrays, names=[column.name for column in columns])
            pq.write_table(content, file, compression="zstd", write_page_checksum=True)


def _signal_files(tables: Path, name: str, count: int) -> list[Path]:
    return [tables / name / f"{number:02}.parquet" for number in range(1, count + 1)]


def _document(folder: Path) -> dict[str, Any]:
    """The content of case.json, whole and of this version."""
    path = folder / NAME
    try:
        document = json.loads(path.read_bytes())
        version = document["format"]
        sound = version == FORMAT and _digest(document["case"]) == document["sha256"] and _TABLES.fullmatch(document["files"])
    except FileNotFoundError:
        raise UnreadableFile(path, f"is missing; {REBUILD}") from None
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise UnreadableFile(path, f"is damaged ({error}); {REBUILD}") from None
    if version != FORMAT:
        raise UnreadableFile(path, f"is of format {version!r}, this version of the app writes {FORMAT}; {REBUILD}")
    if not sound:
        raise UnreadableFile(path, f"is damaged (its content is not what was written); {REBUILD}")
    return document


def _digest(content: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(content, allow_nan=False).encode()).hexdigest()


def _case(folder: Path, document: dict[str, Any]) -> Case:
    content, tables, path = document["case"], folder / document["files"], folder / NAME
    if set(content) != set(kinds(Case)) - set(_CONTRACTS):
        raise UnreadableFile(path, f"does not hold the fields that a case has in this version of the app; {REBUILD}")
    try:
        plain_fields = {name: made(content[name], kind) for name, kind in kinds(Case).items() if name not in _in_files()}
    except (ValueError, TypeError, KeyError) as error:
        raise UnreadableFile(path, f"is of another version, or its time zone is not known here ({error}); {REBUILD}") from None
    signals: dict[str, Any] = {name: tuple(map(waveforms.read, _signal_files(tables, name, content[name]))) for name in _SIGNALS}
    contents: dict[str, Any] = {name: _table(tables / f"{name}.parquet", columns) for name, columns in _CONTRACTS.items()}
    return Case(**plain_fields, **signals, **contents)


def _table(path: Path, columns: Sequence[Column]) -> pd.DataFrame:
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            table = file.read(use_threads=False).to_pandas()
        return make(columns, **{name: table[name] for name in table})
    except FileNotFoundError:
        raise UnreadableFile(path, f"is missing; {REBUILD}") from None
    except (pa.ArrowException, OSError, ValueError, TypeError, KeyError, QiError) as error:
        raise UnreadableFile(path, f"is damaged, or of another version ({str(error)[:200]}); {REBUILD}") from None


def _named(folder: Path) -> str | None:
    """The folder of tables that case.json names now."""
    try:
        return str(_document(folder)["files"])
    except UnreadableFile:
        return None


def _clear(folder: Path, *, keep: str, before: str | None) -> None:
    """Delete the tables that were in force before, and what an earlier write left over; what another process has open stays."""
    for path in folder.iterdir():
        name = path.name.removeprefix(".").removesuffix(".json")
        if not _TABLES.fullmatch(name) or name == keep:
            continue
        if name == before or time.time() - path.stat().st_mtime > _LEFT_OVER_S:
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink(missing_ok=True)
