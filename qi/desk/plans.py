"""What people set on a chart over time, between the library, which keeps plain values, and the charts, which work with a Plan."""

from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

from qi.library.library import Library
from qi.trends.baselines import NO_PLAN, BadPlan, Baseline, Excluded, Phase, Plan

PARTS: Mapping[str, type[Baseline] | type[Phase] | type[Excluded]] = {"baselines": Baseline, "phases": Phase, "excluded": Excluded}


def plan_of(library: Library, chart: str) -> tuple[Plan, int]:
    """The plan of a chart that counts, with its number, which set_plan asks for; no plan, and 0, where nobody set any.

    Raises: BadPlan where what is kept is no plan of this release.
    """
    kept = library.plan(chart)
    return (NO_PLAN, 0) if kept is None else (from_body(kept.body), kept.id)


def set_plan(library: Library, chart: str, plan: Plan, *, who: str, after: int) -> int:
    """Set the plan of a chart, after the last one that the person had seen.

    Parameters: library; chart, its key; plan; who; after, number of the plan that the person saw.
    Returns: its number.
    Raises: StaleWrite where others have set one since; QiError without a name.
    """
    return library.set_plan(chart, to_body(plan), who=who, after=after).id


def to_body(plan: Plan) -> dict[str, Any]:
    """A plan as plain values."""
    return {name: [asdict(one) for one in getattr(plan, name)] for name in PARTS}


def from_body(body: Mapping[str, Any]) -> Plan:
    """A plan from plain values.

    Raises: BadPlan where they are none, or contradict each other.
    """
    if unlike := body.keys() - PARTS.keys():
        raise BadPlan(f"a plan has no {', '.join(sorted(unlike))}; it was made by another release")
    try:
        return Plan(**{name: tuple(_part(kind, one) for one in body.get(name, ())) for name, kind in PARTS.items()})
    except (TypeError, AttributeError) as error:
        raise BadPlan(f"what is kept of this chart is no plan: {error}") from error


def _part(kind: type[Any], one: Mapping[str, Any]) -> Any:  # noqa: ANN401 - of the kind that is given
    texts = {field.name for field in fields(kind)}
    if wrong := [name for name, value in one.items() if name in texts and not isinstance(value, str | None)]:
        raise BadPlan(f"{', '.join(wrong)} of a plan should be a text")
    return kind(**one)
