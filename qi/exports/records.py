"""A review as plain records: what JSON and table files hold."""

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from qi.model.cautions import LONG
from qi.model.review import Judged, Review

FORMAT = 1


def document(reviews: Sequence[Review], *, banner: str = "") -> dict[str, Any]:
    """Several reviews as one document of plain values, null where a value is missing, never NaN.

    Parameters: reviews; banner, the agency's own line, under “banner” where there is one.
    """
    told = {"banner": banner} if banner else {}
    return {"format": FORMAT, **told, "cautions": list(LONG), "cases": [case_record(review) for review in reviews]}


def write(path: Path, reviews: Sequence[Review], *, banner: str = "") -> None:
    """Write the document as JSON (UTF-8)."""
    path.write_text(
        json.dumps(document(reviews, banner=banner), ensure_ascii=False, indent=1, allow_nan=False) + "\n", encoding="utf-8"
    )


def case_record(review: Review) -> dict[str, Any]:
    """One case: its start, the protocol and who chose it, arrest spans with the rule of each edge, measures and notes."""
    case = review.case
    course = review.findings.course
    return {
        "id": case.id,
        "start": case.start.isoformat() if case.start else None,
        "protocol": review.protocol.name,
        "protocol_chosen_by": review.protocol.chosen_by,
        "arrest_spans_s": [[_plain(start), _plain(end)] for start, end in course.spans.pairs()],
        "arrest_edges": [{"time_s": _plain(edge.time_s), "side": edge.side, "rule": edge.rule} for edge in course.edges],
        "clocks": [
            {
                "name": clock.name,
                "offset_s": _plain(clock.offset_s),
                "uncertainty_s": _plain(clock.uncertainty_s),
                "method": clock.method,
                "placed": clock.placed,
            }
            for clock in case.clocks.values()
        ],
        "measures": [measure_record(judged) for judged in review.numbers],
        "notes": [{"level": note.level, "where": note.where, "text": note.text} for note in review.notes],
    }


def measure_record(judged: Judged) -> dict[str, Any]:
    """One answer of one measure."""
    number = judged.number
    record: dict[str, Any] = {"id": judged.id}
    record |= {key: value for key, value in (("of", number.of), ("from", number.from_), ("status", number.status)) if value}
    return record | {
        "value": _plain(number.value),
        "low": _plain(number.low),
        "high": _plain(number.high),
        "error": _plain(number.error),
        "unit": judged.unit,
        "n": number.n,
        "coverage": _plain(number.coverage),
        "verdict": judged.verdict,
        "limit": judged.limit.text if judged.limit else None,
        "goal": judged.goal.text if judged.goal else None,
        "goal_verdict": judged.goal_verdict if judged.goal else None,
        "reason": number.reason,
        "remark": number.remark,
        "method": judged.method,
        "source": judged.source,
        "limit_source": judged.limit.source if judged.limit else None,
        "spans_s": [[_plain(start), _plain(end)] for start, end in number.spans_s],
    }


def _plain(value: float | None) -> float | None:
    """A float that JSON can hold, rounded to a microsecond (or a millionth); None for what is missing or without end."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), 6)
