"""A measured case as rows of the cohort's tables: what is known of call, patient and crew, every measure, every pause and shock."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pandas as pd

from qi.desk import definitions
from qi.desk.cohort_changes import OUTCOMES, SCORES, score, yes_no
from qi.exports.records import measure_record
from qi.measures.effort import end_of_effort
from qi.model.review import Review
from qi.model.seen import Seen
from qi.model.vocabulary import ADVANCED_AIRWAYS, AIRWAYS
from qi.trends import after_rosc, cohort

_FACTS = ("age_years", "sex", "witnessed", "cause", "location", "first_rhythm", "station", "shift", "unit")
_YES_NO = ("bystander_cpr", "bystander_aed", "dispatcher_cpr")


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


def tables(found: Sequence[Rows]) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """What several cases add, as tables of cases, pauses and shocks."""
    pauses, shocks = ([event for one in found for event in getattr(one, name)] for name in ("pauses", "shocks"))
    return (
        cohort.cases_table([one.case for one in found]),
        cohort.events_table(pauses, "pauses"),
        cohort.events_table(shocks, "shocks"),
    )


def rows(review: Review, standing: Standing) -> Rows:
    """A measured case as rows of the cohort's tables.

    Parameters: review, under the definitions in force, with the corrections of the signed version where there is one; standing.
    Returns: Rows. The numbers are those of the signed record; where it was signed under other definitions, those of the review.
    """
    kept = standing.signed
    anew = kept is not None and not definitions.same_as_signed(kept, review)
    answers = [measure_record(one) for one in review.numbers] if kept is None or anew else list(kept["measures"])
    end_s, ended_by = end_of_effort(
        review.findings.compressions,
        review.findings.course,
        rosc_s=_value(answers, "interval_s", "rosc", "first_compression_ems"),
        terminated_s=_value(answers, "interval_s", "terminated", "first_compression_ems"),
    )
    about = _about(review) | {
        "key": standing.key,
        "case_id": standing.case_id,
        "agency": standing.agency,
        "excluded": standing.excluded,
        "source": "machine" if kept is None else "signed",
        "version": standing.version,
        "measured_anew": anew,
        "device_used": _device_used(answers),
        "effort_end_s": end_s,
        "effort_end": ended_by,
        "response_interval_s": _value(answers, "interval_s", "on_scene", "call"),
        "measurable": _value(answers, "compression_fraction") is not None,
        "definitions_digest": definitions.digest(review.protocol),
        "last_line": standing.last_line,
        "measured_at": standing.at.astimezone(UTC),
    }
    pauses, shocks = _pauses(review, standing.key), _shocks(review, standing.key)
    about |= {"pause_rows": float(len(pauses)), "shock_rows": float(len(shocks))}
    return Rows(cohort.row(about, answers), pauses, shocks)


def _about(review: Review) -> dict[str, Any]:
    """What is known of call, patient, crew, recording and outcome."""
    case, facts = review.case, review.case.facts
    local = case.start
    outcome = {name: facts.outcome.get(name) for name in OUTCOMES}
    return {
        "call_at": None if local is None else local.astimezone(UTC),
        "call_day": None if local is None else datetime(local.year, local.month, local.day),
        "year": 0 if local is None else local.year,
        "month": 0 if local is None else local.month,
        "hour": None if local is None else float(local.hour),
        **{name: getattr(facts, name) for name in _FACTS},
        **{name: yes_no(getattr(facts, name)) for name in _YES_NO},
        **{name: yes_no(value) for name, value in outcome.items()},
        **after_rosc.facts(case, review.findings, after_rosc.limits()),
        **{name: score(facts.outcome.get(name)) for name in SCORES},
        "airway_kind": _airway(review),
        "advanced_airway": _advanced_airway(review),
        "sensors": f"{_kinds(review.findings.sensors.pressed)}/{_kinds(review.findings.sensors.breathed)}",
        "has_recording": bool(case.recorded),
        "protocol": review.protocol.name,
    }


def _airway(review: Review) -> str | None:
    """The most advanced airway that was placed, by the order of the vocabulary."""
    told = review.case.told
    placed = {str(one.value) for one in told if one.type == "airway_placed" and "successful=no" not in str(one.text)}
    return next((kind for kind in reversed(AIRWAYS) if kind in placed), None)


def _advanced_airway(review: Review) -> str | None:
    """Whether one was placed; None where no file could have charted it."""
    if _airway(review) in ADVANCED_AIRWAYS:
        return "yes"
    return "no" if any("airway_placed" in source.could_chart for source in review.case.sources) else None


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
