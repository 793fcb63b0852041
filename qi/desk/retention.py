"""How long what is kept: a review deleted and its measures kept, or all of a case; by hand, or by age as the settings say.

Where the measures stay, the case's row of the cohort table stays under its key, without the agency's number: of the day the month
alone, of the age no more than that it was 90 or above. Everything else goes, copies and earlier tables included.
References: ages above 89 as one group, 45 CFR 164.514(b)(2)(i)(C) (from memory).
"""

import shutil
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from qi.desk import cohort as table
from qi.desk import cohort_changes, definitions
from qi.desk.cohort import Rows
from qi.library import originals, place
from qi.library.library import Library
from qi.model.errors import QiError, UnreadableFile
from qi.trends import cohort
from qi.trends import cohort_store as store

OLDEST_TOLD = 90.0  # an age of this and above is one group [a] (45 CFR 164.514(b)(2)(i)(C), from memory)
BROKEN_OFF_S = 86400.0  # a table that was begun longer ago than this and is not done never will be [s] (our default, no source)
REVIEW, ALL, MEASURES = "review", "all", "measures"
IN_WORDS: Mapping[str, str] = {
    REVIEW: "the review goes, the measures stay",
    ALL: "all of it goes",
    MEASURES: "the measures that had stayed go",
}


@dataclass(frozen=True)
class Due:
    """What is to go by age: a case by its key and number (the key where its measures alone stay), what of it, and its moment."""

    key: str
    case_id: str
    what: str
    at: datetime


def delete(library: Library, key: str, *, who: str, keep_measures: bool, by_age: bool = False) -> None:
    """Delete a case of the library, and every copy of it that the library has.

    Parameters: library; key; who; keep_measures, whether its row of the cohort table stays, without identity; by_age, whether the
    settings ask for it, for the log. The database's files are written anew by Library.scrub, once for all that is deleted.
    Raises: NoSuchCase; QiError where files cannot be deleted, or the measures are to stay and cannot be worked out: then it stays.
    """
    how = ", by age" if by_age else ""
    if keep_measures:
        _delete_review(library, key, who=who, what=f"{REVIEW}, measures kept{how}")
    else:
        library.remove(key, who=who, what=f"{ALL}{how}")
    sweep(library)
    _others(library, key)


def forget(library: Library, key: str, *, who: str, by_age: bool = False) -> None:
    """Delete the measures that had stayed of a case whose review was deleted before.

    Raises: NoSuchCase where there are none.
    """
    library.forget_measures(key, who=who, what=f"{MEASURES}{', by age' if by_age else ''}")
    sweep(library)


def _delete_review(library: Library, key: str, *, who: str, what: str) -> None:
    """Put the row without identity in the place of the one that stands there, then remove the case."""
    now, rows = table.folder(library), table.rows_of(library, library.about(key))
    try:
        store.about(now)
    except UnreadableFile:
        if (now / store.NAME).exists():
            raise
        store.begin(now, store.About(definitions.in_force(library), library.now()))
    store.put(now, *table.tables([replace(rows, case=without_identity(rows.case))]))
    try:
        library.remove(key, who=who, measures_kept=True, what=what)
    except BaseException:
        store.put(now, *table.tables([rows]))
        raise


def without_identity(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row of the cohort table without what tells which case it is: no number, no day or hour, no age above OLDEST_TOLD."""
    month = datetime(row["year"], row["month"], 1) if row["year"] > 0 else None
    coarse = {name: _month(value) for name, value in row.items() if isinstance(value, datetime) and not pd.isna(value)}
    age = row.get("age_years")
    return {
        **row,
        **coarse,
        "case_id": row["key"],
        "call_at": month.replace(tzinfo=UTC) if month else None,
        "call_day": month,
        "hour": None,
        "age_years": None if age is None else min(age, OLDEST_TOLD),
        "last_line": 0,
    }


def _month(moment: datetime) -> datetime:
    return moment.replace(day=1, hour=0, minute=0, second=0, microsecond=0)


def sweep(library: Library) -> None:
    """See to it that no cohort table, earlier or broken off ones among them, tells more of a deleted case than may stay."""
    here, kept = library.last_lines().keys(), library.measures_kept()
    home = table.folder(library).parent
    for path in table.earlier(library):
        _drop(path, set(cohort.read(path, ["key"])["key"]) - here)
    for path in (table.folder(library), *table.earlier(library)):
        failed = cohort_changes.failures(path)
        if failed.keys() - here:
            cohort_changes.keep_failures(path, {key: one for key, one in failed.items() if key in here})
    if (table.folder(library) / store.NAME).exists():
        held = cohort.read(table.folder(library), ["key", "case_id"])
        _drop(table.folder(library), set(held["key"]) - here - kept)
        told = held[held["key"].isin(kept - here) & (held["key"] != held["case_id"])]
        if len(told):
            store.put(table.folder(library), *table.tables([_stored_without_identity(library, key) for key in told["key"]]))
    for path in home.glob(".*") if home.is_dir() else ():
        if path.name.startswith(".old-") or time.time() - path.stat().st_mtime > BROKEN_OFF_S:
            shutil.rmtree(path, ignore_errors=True)


def _drop(path: Path, keys: set[str]) -> None:
    if keys:
        store.drop(path, keys)


def _stored_without_identity(library: Library, key: str) -> Rows:
    """The rows of a case as they stand in the table, without identity."""
    place_, this = table.folder(library), [("key", "==", key)]
    (case,) = _records(cohort.read(place_, filters=this))
    pauses, shocks = (_records(cohort.read_events(place_, name, filters=this)) for name in ("pauses", "shocks"))
    return Rows(without_identity(case), pauses, shocks)


def _records(rows: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): None if pd.isna(value) else value for name, value in one.items()} for one in rows.to_dict("records")]


def _others(library: Library, key: str) -> None:
    """Delete whatever else in the library's folder bears the key of a case in its name."""
    for top in library.folder.iterdir():
        if top.name in (place.CASES, table.folder(library).parent.name) or not top.is_dir():
            continue
        for path in list(top.rglob(f"*{key}*")):
            if path.is_dir():
                originals.remove(path)
            else:
                path.unlink(missing_ok=True)


def due(library: Library) -> list[Due]:
    """What is to go by age, the oldest first; nothing where the settings say for how long to keep nothing.

    Returns: of a case, by the moment of its call, or where that is not known of its coming in; of measures that stayed, by the end
    of their month.
    """
    settings, now = library.settings, library.now()
    review, measures = (_before(now, months) for months in (settings.keep_review_months, settings.keep_measures_months))
    found = []
    for entry in library.entries(order="call"):
        at = entry.call_at or entry.entered_at
        what = ALL if measures and at < measures else REVIEW if review and at < review else ""
        if what:
            found.append(Due(entry.key, entry.case_id, what, at))
    if measures:
        found += [Due(key, key, MEASURES, at) for key, at in _kept_since(library) if at < measures]
    return sorted(found, key=lambda one: (one.at, one.key))


def _kept_since(library: Library) -> Iterator[tuple[str, datetime]]:
    """Of the cases whose measures alone stay: key, and end of the month of the call, or of its measuring."""
    kept, now = library.measures_kept(), table.folder(library)
    if not kept or not (now / store.NAME).exists():
        return
    held = cohort.read(now, ["key", "call_at", "measured_at"], [("key", "in", sorted(kept))])
    for key, call_at, measured_at in held.itertuples(index=False):
        month = measured_at if pd.isna(call_at) else call_at
        yield key, _before(month.to_pydatetime().replace(day=1), -1) or month


def _before(moment: datetime, months: int | None) -> datetime | None:
    """The moment so many months before; None where none are given."""
    if months is None:
        return None
    earlier: datetime = (pd.Timestamp(moment) - pd.DateOffset(months=months)).to_pydatetime()
    return earlier


def carry_out(library: Library, *, who: str) -> Iterator[tuple[int, Due, str]]:
    """Delete what is to go by age, and write the database's files anew.

    Returns: how many cases there are to delete, with each as it is done, and what went wrong with it ("" where nothing did).
    Raises: QiError at the end where what was deleted could not be taken out of the database's files just now.
    """
    found = due(library)
    for one in found:
        said = ""
        try:
            if one.what == MEASURES:
                forget(library, one.key, who=who, by_age=True)
            else:
                delete(library, one.key, who=who, keep_measures=one.what == REVIEW, by_age=True)
        except (QiError, OSError) as error:
            said = str(error)
        yield len(found), one, said
    sweep(library)
    gone = forget_lists(library, who=who)
    if (found or gone) and (why := library.scrub()):
        raise QiError(f"What was deleted may still stand in the database's files: {why}. Run it again.")


def forget_lists(library: Library, *, who: str) -> int:
    """Take numbers of cases out of imported lists by age: of outcomes with the reviews, of known arrests with the measures.

    Returns: how many entries went.
    """
    settings, now = library.settings, library.now()
    review, measures = (_before(now, months) for months in (settings.keep_review_months, settings.keep_measures_months))
    return library.forget_lists(imports_before=review or measures, arrests_before=measures, who=who)
