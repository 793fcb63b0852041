"""Small files of each format, made for the tests: EDF byte by byte, so that gaps, cuts and faults can be put in by hand."""

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from qi.intake.header import SourceHeader

ABOUT = SourceHeader(file="any")
EVENTS_CSV = (
    "time,type,end,value,dose,unit,text,by\n"
    "2031-04-17T14:03:00-06:00,cpr_started,,,,,,\n"
    "2031-04-17T14:05:10-06:00,shock,,200,,J,,medic\n"
    "2031-04-17T14:06:00-06:00,drug,,epinephrine,1,mg,,medic\n"
)


def tal(onset: float, *texts: str, length: float | None = None) -> bytes:
    """One annotation list as EDF+ writes it (edfplus.info, section 2.2.2)."""
    duration = b"" if length is None else b"\x15%g" % length
    return b"%+.10g" % onset + duration + b"\x14" + b"".join(text.encode() + b"\x14" for text in (texts or ("",))) + b"\0"


def edf_bytes(
    onsets: Sequence[float],
    *,
    annotations: Sequence[bytes] = (),
    label: str = "CC depth",
    unit: str = "mm",
    per_record: int = 10,
    record_s: float = 1.0,
    plus: str = "EDF+D",
    stated: int | None = None,
    started: datetime | None = datetime(2031, 4, 17, 14, 2, 11),
    samples: np.ndarray | None = None,
) -> bytes:
    """An EDF+ file of one channel (physical -100 to 100, digital -1000 to 1000) and annotations; samples count up from 0."""
    count = len(onsets)
    day = f"{started:%d}-{started:%b}-{started:%Y}".upper() if started else "X"
    date = f"{started:%d.%m.%y}{started:%H.%M.%S}" if started else "01.01.8500.00.00"
    stated = count if stated is None else stated
    head = f"{'0':8}{'X X X X':80}{f'Startdate {day} X X X':80}{date}{768:<8}{plus:44}{stated:<8}{record_s:<8g}{2:<4}"
    rows = [(label, "EDF Annotations"), ("", ""), (unit, ""), ("-100", "-1"), ("100", "1"), ("-1000", "-32768"), ("1000", "32767")]
    widths = [16, 80, 8, 8, 8, 8, 8, 80, 8, 32]
    rows += [("", ""), (str(per_record), "60"), ("", "")]
    head += "".join(f"{cell:{width}}" for row, width in zip(rows, widths, strict=True) for cell in row)
    values = np.arange(count * per_record) % 1000 if samples is None else samples
    body = b""
    for record, onset in enumerate(onsets):
        tals = tal(onset) + (annotations[record] if record < len(annotations) else b"")
        own = values[record * per_record : (record + 1) * per_record]
        body += own.astype("<i2").tobytes() + tals.ljust(120, b"\0")
    return head.encode("latin-1") + body


def write_edf(path: Path, onsets: Sequence[float] = (0, 1, 2), **options) -> Path:
    """Write edf_bytes to a file."""
    path.write_bytes(edf_bytes(onsets, **options))
    return path


def write_bdf(path: Path) -> Path:
    """A BDF file of one channel: 3 records of 4 samples of 24 bits, physical = digital."""
    head = b"\xffBIOSEMI" + f"{'X':80}{'X':80}17.04.3114.02.11{512:<8}{'24BIT':44}{3:<8}{1:<8}{1:<4}".encode()
    head += (
        f"{'airway pressure':16}{'':80}{'cmH2O':8}{-8388608:<8}{8388607:<8}{-8388608:<8}{8388607:<8}{'':80}{4:<8}{'':32}".encode()
    )
    values = [1, -2, 3, -40, 5, 6, 7, 100, 9, 10, 11, 12]
    path.write_bytes(head + b"".join(value.to_bytes(3, "little", signed=True) for value in values))
    return path


def signal_csv(rows: int = 50, *, rate_hz: float = 10.0) -> str:
    """A table of depth at each row and end-tidal CO2 at each tenth."""
    lines = [f"{row / rate_hz:.3f},{row % 40},{35 if row % 10 == 0 else ''}" for row in range(rows)]
    return "time_s,compression_depth[mm],etco2[mmHg]\n" + "\n".join(lines) + "\n"


def write_parquet(path: Path, columns: dict[str, object], start: str | None = None) -> Path:
    """A Parquet file of these columns, its start in the metadata."""
    table = pa.table(columns)
    pq.write_table(table.replace_schema_metadata({"start": start} if start else None), path)
    return path


def write_folder(folder: Path, **texts: str | bytes) -> Path:
    """A case folder; a name's double underscore stands for its dot."""
    folder.mkdir(exist_ok=True)
    for name, text in texts.items():
        raw = text if isinstance(text, bytes) else text.encode()
        (folder / name.replace("__", ".")).write_bytes(raw)
    return folder


def told(notes) -> str:
    """All notes in one text."""
    return "\n".join(f"{note.level} {note.where}: {note.text}" for note in notes)
