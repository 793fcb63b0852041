"""The cohort table of a library: a row for each case, made, brought up to date when a case changes, and made anew by one command.

A signed case has the numbers of its last signed version, any other those that the machine finds, without corrections that nobody
has signed yet. The table stands in `cohort/now` in the
library's folder; tables made under other definitions are kept in `cohort/earlier/<digest>`.
"""

import secrets
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from qi.desk import definitions
from qi.desk.opened import clock_settings, open_case, review_of
from qi.exports.records import measure_record
from qi.library.journal import Version
from qi.library.library import Library
from qi.library.worklist import Entry
from qi.model.errors import NoSuchCase, QiError, UnreadableFile
from qi.model.journal import FIRST, Line
from qi.model.review import Review
from qi.model.seen import Seen
from qi.model.vocabulary import AIRWAYS
from qi.trends import cohort
from qi.trends import cohort_store as store
from qi.trends.cohort_store import About

BATCH = 200  # cases that are written at once while a table is made (our default, no source)
_FACTS = ("age_years", "sex", "witnessed", "cause", "location", "first_rhythm", "station", "shift", "unit")
_YES_NO = ("bystander_cpr", "bystander_aed", "dispatcher_cpr")
_OUTCOMES = ("any_rosc", "sustained_rosc", "survived_event", "survived_to_discharge")


@dataclass(frozen=True)
class Standing:
    """How a case stands: whose it is, why it is left out (empty: it is not), which version was signed and what it kept.

    signed is the last signed version's record, None where there is none; last_line numbers the journal's last line; at is when the
    numbers were worked out, or signed.
    """

    key: str
    case_id: str
    agency: str
    excluded: str
    last_line: int
    at: datetime
    version: int = 0
    signed: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class Rows:
    """What one case adds to the tables."""

    case: Mapping[str, Any]
    pauses: Sequence[Mapping[str, Any]]
    shocks: Sequence[Mapping[str, Any]]


def folder(library: Library) -> Path:
    """Where the table of a library stands, for qi.trends.cohort.read."""
    return _home(library) / "now"


def earlier(library: Library) -> list[Path]:
    """Tables that were made under other definitions, the latest first, for qi.trends.cohort.compare."""
    place = _home(library) / "earlier"
    found = [path for path in place.iterdir() if (path / store.NAME).is_file()] if place.is_dir() else []
    return sorted(found, key=lambda path: store.about(path).made_at, reverse=True)


def out_of_date(library: Library) -> bool:
    """Whether there is no table yet, or definitions have changed since it was made, so that all must be made anew."""
    try:
        return store.about(folder(library)).definitions != definitions.in_force(library)
    except UnreadableFile:
        return True


def changed(library: Library) -> pd.DataFrame | None:
    """What the last change of definitions changed (qi.trends.cohort.COMPARISON); None where no earlier table is kept."""
    kept = earlier(library)
    return cohort.compare(cohort.read(kept[0]), cohort.read(folder(library))) if kept else None


def update(library: Library, key: str) -> bool:
    """Bring the row of one case up to date, or take it out where the case is gone; the file of its month alone is written.

    Parameters: library; key, of the case.
    Returns: whether it was done; not where the table must be made anew first (out_of_date).
    Raises: QiError where the case cannot be read or measured; its old row stays.
    """
    if out_of_date(library):
        return False
    try:
        entry = library.about(key)
    except NoSuchCase:
        store.drop(folder(library), [key])
        return True
    _put(folder(library), [rows_of(library, entry)])
    return True


def build(library: Library, *, anew: bool = False) -> Iterator[tuple[int, str, str]]:
    """Bring the whole table up to date: every case whose journal has grown since, or all of them where definitions have changed.

    Parameters: library; anew, to measure all of them in any case.
    Returns: how many cases there are to measure, with the number of each as it is done, and what went wrong with it ("" where
    nothing did: a case that cannot be measured keeps the row it has). A table that is made anew takes the place of the old one when
    it is whole; the old one is kept under its digest where it was made under other definitions.
    """
    if anew or out_of_date(library):
        yield from _made_anew(library)
    yield from _up_to_date(library, folder(library), library.entries(order="call"))


def _made_anew(library: Library) -> Iterator[tuple[int, str, str]]:
    now, fresh = folder(library), _home(library) / f".fresh-{secrets.token_hex(8)}"
    in_force = definitions.in_force(library)
    try:
        store.begin(fresh, About(in_force, library.now()))
        yield from _up_to_date(library, fresh, library.entries(order="call"))
        store.take_place(fresh, now, _home(library) / "earlier" if _made_under(now) not in (None, in_force) else None)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)


def _made_under(place: Path) -> str | None:
    """Digest of the definitions that a table was made under; None where there is no sound table."""
    try:
        return store.about(place).definitions
    except UnreadableFile:
        return None


def _up_to_date(library: Library, place: Path, entries: Sequence[Entry]) -> Iterator[tuple[int, str, str]]:
    """Measure what is not in a table as it stands in the library, and take out what is in the library no more."""
    held = cohort.read(place, ["key", "last_line"])
    lines = dict(zip(held["key"], held["last_line"], strict=True))
    if gone := lines.keys() - {entry.key for entry in entries}:
        store.drop(place, gone)
    waiting = [entry for entry in entries if lines.get(entry.key) != entry.last_line]
    for first in range(0, len(waiting), BATCH):
        found = []
        for entry in waiting[first : first + BATCH]:
            said = ""
            try:
                found.append(rows_of(library, entry))
            except QiError as error:
                said = str(error)
            yield len(waiting), entry.case_id, said
        _put(place, found)


def _put(place: Path, found: Sequence[Rows]) -> None:
    if found:
        store.put(place, *tables(found))


def tables(found: Sequence[Rows]) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """What several cases add, as tables of cases, pauses and shocks."""
    pauses, shocks = ([event for one in found for event in getattr(one, name)] for name in ("pauses", "shocks"))
    return (
        cohort.cases_table([one.case for one in found]),
        cohort.events_table(pauses, "pauses"),
        cohort.events_table(shocks, "shocks"),
    )


def _home(library: Library) -> Path:
    return library.folder / "cohort"


def rows_of(library: Library, entry: Entry) -> Rows:
    """Measure one case of a library as it stands.

    Raises: QiError where it cannot be read or measured.
    """
    lines = library.lines(entry.key)
    signed = next((one for one in reversed(library.versions(entry.key)) if one.reading == FIRST), None)
    counted = lines if signed is None else _as_signed(lines, signed)
    clocks = () if signed is None else clock_settings(counted)
    review = review_of(open_case(library, entry.key, clocks), counted, as_found=signed is None)
    at, version = (library.now(), 0) if signed is None else (signed.signed_at, signed.version)
    last = lines[-1].number if lines else 0
    kept = None if signed is None else signed.record
    return rows(review, Standing(entry.key, entry.case_id, entry.agency, entry.excluded, last, at, version, kept))


def _as_signed(lines: Sequence[Line], signed: Version) -> list[Line]:
    """The lines that a signed version rests on, and the outcomes that came later, with what undoes these."""
    kinds: dict[int, str] = {}
    for line in lines:
        kinds[line.number] = kinds.get(int(line.body["undoes"]), "") if line.kind == "undo" else line.kind
    return [line for line in lines if line.number <= signed.through or kinds[line.number] == "outcome"]


def rows(review: Review, standing: Standing) -> Rows:
    """A measured case as rows of the cohort's tables.

    Parameters: review, under the definitions in force, with the corrections of the signed version where there is one; standing.
    Returns: Rows. The numbers are those of the signed record; where it was signed under other definitions, those of the review.
    """
    kept = standing.signed
    anew = kept is not None and not definitions.same_as_signed(kept, review)
    answers = [measure_record(one) for one in review.numbers] if kept is None or anew else list(kept["measures"])
    about = _about(review) | {
        "key": standing.key,
        "case_id": standing.case_id,
        "agency": standing.agency,
        "excluded": standing.excluded,
        "source": "machine" if kept is None else "signed",
        "version": standing.version,
        "measured_anew": anew,
        "device_used": _device_used(answers),
        "response_interval_s": _value(answers, "interval_s", "on_scene", "call"),
        "measurable": _value(answers, "compression_fraction") is not None,
        "definitions_digest": definitions.digest(review.protocol),
        "last_line": standing.last_line,
        "measured_at": standing.at.astimezone(UTC),
    }
    return Rows(cohort.row(about, answers), _pauses(review, standing.key), _shocks(review, standing.key))


def _about(review: Review) -> dict[str, Any]:
    """What is known of call, patient, crew, recording and outcome."""
    case, facts = review.case, review.case.facts
    local = case.start
    outcome = {name: facts.outcome.get(name) for name in _OUTCOMES}
    return {
        "call_at": None if local is None else local.astimezone(UTC),
        "call_day": None if local is None else datetime(local.year, local.month, local.day),
        "year": 0 if local is None else local.year,
        "month": 0 if local is None else local.month,
        "hour": None if local is None else float(local.hour),
        **{name: getattr(facts, name) for name in _FACTS},
        **{name: _yes_no(getattr(facts, name)) for name in _YES_NO},
        **{name: _yes_no(value) for name, value in outcome.items()},
        "cpc": _score(facts.outcome.get("cpc")),
        "mrs": _score(facts.outcome.get("mrs")),
        "airway_kind": _airway(review),
        "sensors": f"{_kinds(review.findings.sensors.pressed)}/{_kinds(review.findings.sensors.breathed)}",
        "has_recording": bool(case.recorded),
        "protocol": review.protocol.name,
    }


def _yes_no(value: object) -> str | None:
    return {True: "yes", False: "no", "unknown": "unknown"}.get(value) if isinstance(value, bool | str) else None


def _score(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _airway(review: Review) -> str | None:
    """The most advanced airway that was placed, by the order of the vocabulary."""
    told = review.case.told
    placed = {str(one.value) for one in told if one.type == "airway_placed" and "successful=no" not in str(one.text)}
    return next((kind for kind in reversed(AIRWAYS) if kind in placed), None)


def _kinds(seen: Sequence[Seen]) -> str:
    """Kinds of sensors that saw anything, in order, joined by +; charted for events written down one by one."""
    kinds = {one.sensor.partition(" (")[0] for one in seen if len(one.events)}
    return "+".join(sorted("charted" if kind == "events" else kind for kind in kinds))


def _value(answers: Sequence[Mapping[str, Any]], id_: str, of: str | None = None, from_: str | None = None) -> float | None:
    given = (one for one in answers if (one["id"], one.get("of"), one.get("from")) == (id_, of, from_))
    return next((one["value"] for one in given), None)


def _device_used(answers: Sequence[Mapping[str, Any]]) -> str | None:
    told = next((one for one in answers if one["id"] == "time_to_device_s" and one.get("of") == "itd"), None)
    return {"applied": "yes", "never": "no"}.get(str(told.get("status"))) if told else None


def _pauses(review: Review, key: str) -> list[dict[str, Any]]:
    table = review.findings.pauses[["start_s", "seconds", "cause", "cause_by"]]
    return [_plain(one) | {"key": key} for one in table.to_dict("records")]


def _shocks(review: Review, key: str) -> list[dict[str, Any]]:
    table = review.findings.shocks[["time_s", "stack", "pre_s", "post_s", "peri_s", "energy_j"]].astype({"stack": int})
    return [_plain(one) | {"key": key} for one in table.to_dict("records")]


def _plain(record: Mapping[Any, Any]) -> dict[str, Any]:
    """Values to the millisecond, None for what is missing."""

    def plain(value: Any) -> Any:  # noqa: ANN401 - a cell of any table
        if pd.isna(value):
            return None
        return round(value, 3) if isinstance(value, float) else value

    return {str(name): plain(value) for name, value in record.items()}
