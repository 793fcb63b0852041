"""Findings as they stand, what a signature keeps, and how far two readings agree."""

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import pandas as pd

from qi.desk import cohort, definitions
from qi.desk.opened import Opened, review_of
from qi.exports.records import case_record
from qi.judge.agreement import Agreement, agreement, kappa
from qi.library.library import Library
from qi.model.case import Case
from qi.model.corrections import shift_s
from qi.model.journal import FIRST, SECOND, Finding, Line, counting, version_of
from qi.model.review import Review
from qi.model.words import amount

MAIN = ("compression_fraction", "longest_pause_s", "compression_rate", "compression_depth_mm", "ventilation_rate")


def findings(lines: Sequence[Line], case: Case, *, reading: int = FIRST) -> list[Finding]:
    """The findings of one reading that stand, as last changed, on the axis as the case stands now."""
    known = {field.name for field in fields(Finding)}
    found: dict[int, Finding] = {}
    for line in counting(lines, reading=reading):
        if line.kind == "finding_withdrawn":
            found.pop(int(line.body["of"]), None)
        elif line.kind in ("finding", "finding_changed"):
            number = line.number if line.kind == "finding" else int(line.body["of"])
            if line.kind == "finding_changed" and number not in found:
                continue  # withdrawn before
            body = {key: value for key, value in line.body.items() if key in known}
            found[number] = Finding(**body | {"number": number, "who": line.who, "when": line.when})
    return [_moved(one, shift_s(case, one.anchor, one.anchor_s)) for one in found.values()]


def _moved(one: Finding, by_s: float) -> Finding:
    start, end = (None if time is None else time + by_s for time in (one.start_s, one.end_s))
    return replace(one, start_s=start, end_s=end, anchor_s=one.anchor_s + by_s)


def record(review: Review) -> dict[str, Any]:
    """The measures as they stand, for a signature: every answer without its stretches, and the digest of the definitions."""
    whole = case_record(review)
    numbers = [{key: value for key, value in one.items() if key != "spans_s"} for one in whole["measures"]]
    told = {"corrections": len(review.corrections), "definitions": definitions.digest(review.protocol)}
    return whole | {"measures": numbers} | told


def main_numbers(kept: Mapping[str, Any]) -> dict[str, str]:
    """A few numbers of a signed record, as a person reads them."""
    found = {}
    for one in kept.get("measures", ()):
        if one["id"] in MAIN and "of" not in one and "from" not in one:
            found[one["id"].replace("_", " ").removesuffix(" s").removesuffix(" mm")] = amount(one["value"], one["unit"])
    return found


def first_reading(opened: Opened, lines: Sequence[Line]) -> Review:
    """The case as the first reader left it."""
    return review_of(opened, lines, reading=FIRST)


def compared(first: Review, second: Review) -> Agreement:
    """How far two readings of a case agree."""
    return agreement(first, second)


def sign(
    library: Library, opened: Opened, lines: Sequence[Line], review: Review, *, who: str, after: int, reading: int = FIRST
) -> None:
    """Sign a reading and keep its measures; once both readings of a case are signed, how far they agree is kept as well.

    Parameters: library; opened; lines, of its journal; review, as the reader leaves it; who; after, number of the last line seen;
    reading.
    The case's row in the cohort table follows.
    Raises: see Library.sign.
    """
    if reading == SECOND:
        body: dict[str, Any] = {"record": record(review)}
        if version_of(lines)[1]:
            body["agreement"] = compared(first_reading(opened, lines), review).record()
        library.write(opened.key, "second_signed", body, who=who, after=after, reading=SECOND)
        return
    library.sign(opened.key, record(review), who=who, after=after)
    cohort.follow(library, opened.key, review)
    is_read_twice = any(line.kind == "second_signed" for line in lines)
    if is_read_twice and library.about(opened.key).agreement is None:
        library.agree(opened.key, compared(review, review_of(opened, lines, reading=SECOND)).record())


def agreement_in_words(kept: Mapping[str, Any]) -> str:
    """One or several records of agreement, in a sentence or two."""
    causes, verdicts = ([tuple(pair) for pair in kept.get(name, ())] for name in ("causes", "verdicts"))
    parts = [_same("what the pauses were for", causes), _same("verdicts", verdicts)]
    both, apart = 0, 0
    for shared, ours, theirs in kept.get("marks", {}).values():
        both, apart = both + shared, apart + ours + theirs
    if both + apart:
        parts.append(f"{both} of {both + apart} marks (shocks, ROSC, airway, devices, drugs) are in both readings")
    return "; ".join(part for part in parts if part) + "."


def _same(what: str, pairs: Sequence[tuple[str, ...]]) -> str:
    if not pairs:
        return f"{what}: nothing to compare"
    same = sum(one == two for one, two in pairs)
    beyond = kappa([(pair[0], pair[1]) for pair in pairs])
    text = f"{what}: {same} of {len(pairs)} alike"
    return text if beyond is None else f"{text} (Cohen's kappa {beyond:.2f})"


def pooled(records: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Records of agreement of several cases as one."""
    marks: dict[str, list[int]] = {}
    for one in records:
        for kind, counts in one.get("marks", {}).items():
            marks[kind] = [a + b for a, b in zip(marks.get(kind, [0, 0, 0]), counts, strict=True)]
    return {
        "causes": [pair for one in records for pair in one.get("causes", ())],
        "verdicts": [pair for one in records for pair in one.get("verdicts", ())],
        "marks": marks,
    }


def differences(kept: Mapping[str, Any]) -> pd.DataFrame:
    """Where two readings differ on what a pause was for: first reader, second reader, how many."""
    apart = [tuple(pair) for pair in kept.get("causes", ()) if pair[0] != pair[1]]
    counted = pd.DataFrame(apart, columns=["first reader", "second reader"]).value_counts().reset_index(name="pauses")
    return counted.assign(**{name: counted[name].str.replace("_", " ") for name in ("first reader", "second reader")})
