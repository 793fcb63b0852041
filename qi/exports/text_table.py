"""Measures of several cases side by side, as plain text for a terminal."""

from collections.abc import Sequence

from qi.model.cautions import SHORT
from qi.model.review import Judged, Review
from qi.model.words import answer, name

_LEFT_TO_THE_FILE = ("compression_fraction_minute",)  # one row a minute: in the JSON, too long for a terminal


def table(reviews: Sequence[Review], *, banner: str = "") -> str:
    """One row a measure, one column a case, verdicts in words; notes and cautions below.

    Parameters: reviews; banner, the agency's own line.
    """
    rows = _rows(reviews)
    heads = ["", *(review.case.id for review in reviews)]
    body = [[label, *(_cell(row.get(i)) for i in range(len(reviews)))] for label, row in rows.items()]
    lines = [*_aligned([heads, ["protocol", *(review.protocol.name for review in reviews)], *body]), ""]
    for review in reviews:
        lines.append(f"{review.case.id}: protocol {review.protocol.name}, chosen by {review.protocol.chosen_by}")
        lines += [f"  {note.level}: {note.where}: {note.text}" for note in review.notes]
    return "\n".join([*lines, "", *([banner] if banner else []), SHORT])


def _rows(reviews: Sequence[Review]) -> dict[str, dict[int, Judged]]:
    """Rows by label in the order of the measures; within one measure, answers of later cases follow those of earlier ones."""
    ids = list(dict.fromkeys(judged.id for review in reviews for judged in review.numbers))
    rows: dict[str, dict[int, Judged]] = {}
    for id_ in ids:
        for i, review in enumerate(reviews):
            for judged in review.all_of(id_):
                if judged.id not in _LEFT_TO_THE_FILE:
                    rows.setdefault(name(judged), {})[i] = judged
    return rows


def _cell(judged: Judged | None) -> str:
    if judged is None:
        return ""
    return f"{answer(judged)}  {judged.verdict}" if judged.verdict in ("met", "not met") else answer(judged)


def _aligned(rows: list[list[str]]) -> list[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return ["  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in rows]
