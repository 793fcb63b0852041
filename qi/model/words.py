"""Numbers as a person reads them: with their unit, and never with more digits than they have."""

from qi.model.number import Number
from qi.model.review import Judged, Limit

_DIGITS = {"1/min": 0, "mm": 0, "mmHg": 0, "cmH2O": 1, "count": 0}


def clock(seconds: float | None) -> str:
    """Seconds as minutes and seconds: 4:10, -0:05."""
    if seconds is None:
        return "–"
    whole = round(abs(seconds))
    return f"{'-' if seconds < 0 and whole else ''}{whole // 60}:{whole % 60:02d}"


def amount(value: float | None, unit: str) -> str:
    """A value with its unit; shares as percent, seconds from two minutes up as m:ss."""
    if value is None:
        return "–"
    if unit == "1":
        return f"{value * 100:.0f}\u00a0%"
    if unit == "s":
        return f"{clock(value)} min" if abs(value) >= 120 else f"{value:.1f} s"
    digits = _DIGITS.get(unit, 1)
    if unit == "count":
        return f"{value:g}" if value == round(value) else f"{value:.1f}"
    return f"{value:.{digits}f} {'per min' if unit == '1/min' else unit}"


def many(count: int, noun: str) -> str:
    """A number of things: 1 case, 2 cases, 1,200 cases.

    Parameters: count; noun, of one of them, which takes an s for more.
    """
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def asked(limit: Limit, unit: str) -> str:
    """A limit as a person reads it, in the unit that its value is shown in."""
    if limit.low == float("-inf"):
        return f"{'under' if limit.strict else 'at most'} {amount(limit.high, unit)}"
    if limit.high == float("inf"):
        return f"{'over' if limit.strict else 'at least'} {amount(limit.low, unit)}"
    low, high = amount(limit.low, unit), amount(limit.high, unit)
    plain = low.partition(" ")[0] if low.partition(" ")[2] == high.partition(" ")[2] else low
    return f"{plain} to {high}"


def bounds(number: Number, unit: str) -> str:
    """The bounds for unknown time, where they differ from the value."""
    if number.low is None and number.high is None:
        return ""
    if number.high is None:
        return "or more"
    low, high = amount(number.low, unit), amount(number.high, unit)
    if number.value is not None and low == high == amount(number.value, unit):
        return ""
    return f"{low} to {high}"


def give_or_take(judged: Judged) -> str:
    """What detection or clocks may be off by, where it shows at all in the digits of the value."""
    error = judged.number.error
    if judged.value is None or not error:
        return ""
    text = amount(error, judged.unit)
    return "" if text == amount(0.0, judged.unit) else f" ± {text}"


def answer(judged: Judged) -> str:
    """Value, bounds and ± in one short text; in words where there is no value."""
    number = judged.number
    text = amount(number.value, judged.unit) + give_or_take(judged)
    range_ = bounds(number, judged.unit)
    if number.value is None:
        said = number.status if number.status and number.status != "applied" else "not measurable"
        return f"{range_} possible" if range_ and number.high is not None and number.coverage else said
    if range_ == "or more":
        return f"{text} or more"
    return f"{text} ({range_})" if range_ else text


def name(judged: Judged) -> str:
    """The label with what tells several answers apart; an interval is named by its two moments."""
    return named(judged.id, judged.label, judged.of, judged.from_)


def named(id_: str, label: str, of: str | None, from_: str | None) -> str:
    """As `name`, of a measure's id and label and what tells its answer apart."""
    if id_ == "interval_s" and of and from_:
        text = f"{_moment(from_)} to {_moment(of)}"
        return text[0].upper() + text[1:]
    parts = [_moment(part) for part in (of, f"from {from_}" if from_ else None) if part]
    return f"{label}, {', '.join(parts)}" if parts else label


def _moment(name: str) -> str:
    """A machine name as words: itd as ITD, rosc as ROSC."""
    words = name.removesuffix("_ems").split("_")
    return " ".join({"itd": "ITD", "rosc": "ROSC", "cpr": "CPR"}.get(word, word) for word in words)
