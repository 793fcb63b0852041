"""A case to give away: a folder without identity that our own reader, and any reader of Parquet, EDF+ and CSV, opens again.

What stands in it: waveforms by elapsed seconds, events by closed lists of words, coarse facts, every table of the reviewed case
with its codebook, and what was left out. No date but the year, no time of day, no name of a file, person, unit or place, no free
text, no original file and no fingerprint of one.

The rule followed is Safe Harbor; its last part is left to a person, as README.txt in the folder says: whoever shares it must not
know of a way to tell the patient from what is left.

References: HIPAA Safe Harbor, 45 CFR 164.514(b)(2) (read on the web; mapped to case data in our own notes).
"""

import json
import math
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from qi.exports import case_tables, codebook, csv_text
from qi.exports.edf_plus import write_annotations
from qi.exports.edf_words import charted
from qi.exports.masking import Masked, placed, random_id, without_identity
from qi.exports.private_words import PROTOCOLS
from qi.model.case import Case, Signal
from qi.model.cautions import LONG, SHORT
from qi.model.journal import REVIEWER
from qi.model.review import Review
from qi.model.vocabulary import EVENT_VALUES

FORMAT = 1
TABLES = "tables"
_APART_S = 1e-6  # two charted events that no longer differ in words stand this far apart, so that both are read
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest that a zip can hold: the day of the export tells nothing either

_README = """A case of cardiac arrest, shared without identity
================================================

{cautions}

Times are seconds from the start of the recording. {year} {age}

What was left out of the case as it was recorded:
{left_out}
Dates and times of day, the names of files, clocks, units, stations and crew, free text, attachments and the original files are not
in it. Crew members have numbers that mean nothing outside this folder. Times that were charted to the minute stay that far from the
recording, so that the second of the minute, not the minute, at which the recording began may be told from them; that they were
charted to the minute stands in the table of events (uncertainty_s), not in the files that are read again.

Before you pass it on: removing these is not enough where you know that somebody could still be told from what is left, for instance
by a rare cause, an unusual age, or a case that was in the news of a small place. If you know of such a way, do not share it.

case.toml, the waveforms (*.parquet) and the events (*.csv, and *.edf with annotations only) can be read again as a case. Reading
them again finds everything anew: corrections that a reviewer made of what a machine found are in the folder tables only. There,
codebook.csv tells of every column, and told_by keeps apart what a machine found, what a file charts and what a reviewer said. In
every CSV the lines above the names of the columns begin with # and hold what must be known of the file.
"""


def write(folder: Path, review: Review, *, now_id: Callable[[], str] = random_id, banner: str = "") -> Path:
    """Write one case without identity into a new folder inside `folder`.

    Parameters: folder; review, of one case; now_id, gives the new case its id, which nothing of the old one may go into;
    banner, the agency's own line, which stands in every file beside the caution.
    Returns: the folder of the case, named by its new id.
    Raises: FileExistsError where a folder of that name is there already.
    """
    masked = without_identity(review, id_=now_id())
    case = masked.review.case
    place = folder / case.id
    place.mkdir(parents=True)
    order = {source.file: f"{at:02d}-{source.file}" for at, source in enumerate(case.sources, 1)} | {REVIEWER: f"99-{REVIEWER}"}
    sources = [*_write_signals(place, case.signals, order, banner), *_write_events(place, masked.review, order, banner)]
    (place / "case.toml").write_text(_header(masked, sources, banner), encoding="utf-8")
    (place / "README.txt").write_text(_readme(masked, banner), encoding="utf-8")
    case_tables.write(place / TABLES, masked.review, banner=banner)
    codebook.write(place / TABLES, masked.review, banner=banner)
    about = json.dumps(_about(masked, banner), ensure_ascii=False, indent=1, allow_nan=False)
    (place / TABLES / "about.json").write_text(f"{about}\n", encoding="utf-8")
    return place


def write_zip(path: Path, review: Review, *, now_id: Callable[[], str] = random_id, banner: str = "") -> Path:
    """Write the same folder as one zip file, whose entries bear no date of today.

    Returns: its path.
    """
    with tempfile.TemporaryDirectory() as work, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        place = write(Path(work), review, now_id=now_id, banner=banner)
        for file in sorted(place.rglob("*")):
            if file.is_file():
                entry = zipfile.ZipInfo(file.relative_to(place.parent).as_posix(), _ZIP_DATE)
                archive.writestr(entry, file.read_bytes(), zipfile.ZIP_DEFLATED)
    return path


Written = tuple[str, str, str | None]  # file, its clock, and what its depth is counted from


def _write_signals(place: Path, signals: Sequence[Signal], order: Mapping[str, str], banner: str) -> Iterator[Written]:
    """One Parquet file for the signals of a source that stand on one raster.

    Parameters: order, for each source the beginning of its files' names, which keeps the order in which the files were read.
    """
    rasters: dict[tuple[object, ...], list[Signal]] = {}
    for signal in signals:
        pieces = tuple((piece.start_s, piece.rate_hz, len(piece.values)) for piece in signal.pieces)
        twins = sum(signal.channel in [one.channel for one in own] for key, own in rasters.items() if key[0] == signal.source)
        rasters.setdefault((signal.source, signal.clock, signal.reference, twins, pieces), []).append(signal)
    counts: dict[str, int] = {}
    for own in rasters.values():
        source = own[0].source
        counts[source] = counts.get(source, 0) + 1
        file = f"{order[source]}-{counts[source]}.parquet"
        times = np.concatenate([piece.times_s for piece in own[0].pieces])
        columns = {"time_s": pa.array(times, pa.float64())}
        for signal in own:
            values = np.concatenate([piece.values for piece in signal.pieces])
            columns[f"{signal.channel}[{signal.unit}]"] = pa.array(values.astype(np.float32), pa.float32())
        told = {"cautions": " ".join(LONG)} | ({"banner": banner} if banner else {})
        table = pa.table(columns).replace_schema_metadata(told)
        pq.write_table(table, place / file, compression="zstd")
        yield file, own[0].clock, next((signal.reference for signal in own if signal.reference), None)


def _write_events(place: Path, review: Review, order: Mapping[str, str], banner: str) -> Iterator[Written]:
    """The events of each source that has a place: CSV where the source could have charted any event, else EDF+ annotations.

    Our reader takes a CSV for a list that could hold every event, and so takes what is not in it for not done. Annotations claim no
    more than what they hold.
    """
    case = review.case
    every = {source.file: source for source in case.sources}
    for name in (*every, REVIEWER):
        source = every.get(name)
        rows = case.events[case.events["source"] == name]
        clock = source.clock if source else case.lead_clock
        if not placed(case, clock):
            continue
        if source and source.could_chart >= frozenset(EVENT_VALUES):
            file = f"{order[name]}-list.csv"
            (place / file).write_text(csv_text.above(banner) + _event_rows(rows).to_csv(index=False), encoding="utf-8", newline="")
            yield file, clock, None
        elif len(rows):
            file = f"{order[name]}-list.edf"
            shown = rows.assign(by=rows["by"].where(rows["source"] != REVIEWER, REVIEWER))
            write_annotations(place / file, list(charted(_with_events(review, shown), of=name)), case, banner=banner)
            yield file, clock, None


def _with_events(review: Review, events: pd.DataFrame) -> Review:
    return replace(review, case=replace(review.case, events=events))


def _event_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """The columns of an events file; rows that say the same are set a microsecond apart."""
    names = {"time_s": "time_s", "type": "type", "end_s": "end", "value": "value", "dose": "dose", "unit": "unit"}
    shown = rows.rename(columns=names)[[*names.values(), "text", "by"]]
    again = shown.groupby(list(shown.columns), dropna=False).cumcount()
    return shown.assign(time_s=shown["time_s"] + again * _APART_S)


def _header(masked: Masked, sources: Sequence[Written], banner: str) -> str:
    """The case's header with coarse facts only, and the clock of each file."""
    case, protocol = masked.review.case, masked.review.protocol
    facts = case.facts
    lines = [*(f"# {' '.join(line.split())}" for line in (banner, SHORT) if line), f"id = {_toml(case.id)}"]
    if protocol.name in PROTOCOLS and not protocol.chosen_by.startswith("age"):
        lines.append(f"protocol = {_toml(protocol.name)}")
    names = ("witnessed", "bystander_cpr", "bystander_aed", "dispatcher_cpr", "cause", "first_rhythm", "location", "attempted")
    tables: dict[str, Mapping[str, object]] = {
        "patient": {"age_years": facts.age_years, "sex": facts.sex},
        "arrest": {name: getattr(facts, name) for name in names},
        "crew": {"members": list(facts.members) or None},
        "outcome": facts.outcome,
    }
    if masked.is_90_plus:
        lines.append("# The age of 90 stands for 90 or more.")
    for table, entries in tables.items():
        lines += [f"[{table}]", *(f"{key} = {_toml(value)}" for key, value in entries.items() if value is not None)]
    for file, clock, reference in sources:
        lines += ["[[source]]", f"file = {_toml(file)}", f"clock = {_toml(clock)}", f"uncertainty_s = {_loose(case, clock):.3f}"]
        lines += [f"depth_reference = {_toml(reference)}"] if reference else []
    return "\n".join([*lines, ""])


def _loose(case: Case, clock: str) -> float:
    """What a clock may be off by, with what its entries themselves may be off by where it is not the leading one [s]."""
    own = case.clocks[clock].uncertainty_s
    entries = case.events.loc[case.events["clock"] == clock, "uncertainty_s"]
    most = float(entries.max()) if len(entries) and clock != case.lead_clock else 0.0
    return math.hypot(own, most)


def _toml(value: object) -> str:
    """A text, a number, true or false, or a list of these, as TOML writes them (as JSON does)."""
    return json.dumps(value)


def _about(masked: Masked, banner: str) -> dict[str, object]:
    """The same as README.txt says, for machines."""
    age = masked.review.case.facts.age_years
    return {
        "format": FORMAT,
        **({"banner": banner} if banner else {}),
        "cautions": list(LONG),
        "id": masked.review.case.id,
        "year": masked.year,
        "age_years": "90+" if masked.is_90_plus else age,
        "times": "seconds from the start of the recording",
        "left_out": dict(masked.left_out),
    }


def _readme(masked: Masked, banner: str) -> str:
    year = f"The case is of the year {masked.year}." if masked.year else "The year is not recorded."
    left_out = "".join(f"- {count} × {what}\n" for what, count in masked.left_out.items()) or "- nothing more\n"
    age = "The age of 90 stands for 90 or more." if masked.is_90_plus else ""
    return _README.format(cautions="\n".join([*([banner] if banner else []), *LONG]), year=year, age=age, left_out=left_out)
