"""Numbers held against the protocol. Four verdicts; only two of them are a judgement."""

from collections.abc import Iterable
from dataclasses import replace

from qi.model.number import Number
from qi.model.review import Judged, Limit, Protocol, Rule

MET, NOT_MET, NOT_MEASURABLE, NO_LIMIT = "met", "not met", "not measurable", "no limit set"
NEEDS_AGE = ("depth", "ventilat", "breath")  # measures whose limits hang on the patient's age


def verdict(number: Number, limit: Limit | None) -> str:
    """Met or not met only when the value and both bounds lie on one side of the limit.

    A bound that is None together with its fellow does not count (means and medians have none); one that is None beside a known
    fellow is open (a count with unknown time has no greatest value).
    """
    if number.value is None:
        return NOT_MEASURABLE
    if limit is None:
        return NO_LIMIT
    low, high = number.low, number.high
    if low is None and high is None:
        low = high = number.value
    points = [number.value, float("-inf") if low is None else low, float("inf") if high is None else high]
    inside = [_inside(point, limit) for point in points]
    if all(inside):
        return MET
    one_side = max(points) < limit.low or min(points) > limit.high or (limit.strict and not any(inside))
    return NOT_MET if one_side else NOT_MEASURABLE


def _inside(value: float, limit: Limit) -> bool:
    return limit.low < value < limit.high if limit.strict else limit.low <= value <= limit.high


def judge(
    id_: str, label: str, unit: str, numbers: Iterable[Number], protocol: Protocol, *, method: str, source: str
) -> list[Judged]:
    """Hold the answers of one measure against the protocol in force.

    Below the protocol's coverage floor an answer loses its value and keeps its bounds.
    """
    floor = float(protocol.values["coverage_floor"])
    rule = protocol.rules.get(id_, Rule(None, None, ()))
    return [_judged(id_, label, unit, _above_floor(number, floor), rule, protocol, method, source) for number in numbers]


def _above_floor(number: Number, floor: float) -> Number:
    if number.value is None or number.coverage is None or number.coverage >= floor:
        return number
    reason = f"only {number.coverage:.0%} of what it asks about was recorded; no single number below {floor:.0%}"
    return replace(number, value=None, reason=reason)


def _judged(id_: str, label: str, unit: str, number: Number, rule: Rule, protocol: Protocol, method: str, source: str) -> Judged:
    applies = protocol.judged and (number.of or "") in rule.of
    limit, goal = (rule.limit, rule.goal) if applies else (None, None)
    ageless = applies and not protocol.age_known and any(word in id_ for word in NEEDS_AGE)
    if ageless and number.value is not None:
        number = replace(number, reason="the patient's age is not recorded: adult limits are shown, without a verdict")
    first, second = (NOT_MEASURABLE, NOT_MEASURABLE) if ageless else (verdict(number, limit), verdict(number, goal))
    if first == NOT_MEASURABLE and number.value is not None and number.reason is None:
        number = replace(number, reason="the bounds for unknown time lie on both sides of the limit")
    return Judged(id_, label, unit, number, first, limit, goal, second, method, source)
