"""Numbers as a person reads them: with their unit, and never with more digits than they have."""

from qi.model.number import Number
from qi.model.review import Judged

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
        return f"{value:.0%}".replace("%", " %")
    if unit == "s":
        return f"{clock(value)} min" if abs(value) >= 120 else f"{value:.1f} s"
    digits = _DIGITS.get(unit, 1)
    if unit == "count":
        return f"{value:g}" if value == round(value) else f"{value:.1f}"
    return f"{value:.{digits}f} {'per min' if unit == '1/min' else unit}"


def bounds(number: Number, unit: str) -> str:
    """The bounds for unknown time, where they differ from the value."""
    if number.low is None and number.high is None:
        return ""
    low, high = amount(number.low, unit), amount(number.high, unit) if number.high is not None else "?"
    if number.value is not None and low == high == amount(number.value, unit):
        return ""
    return f"{low} to {high}"


def answer(judged: Judged) -> str:
    """Value, bounds and ± in one short text; in words where there is no value."""
    number = judged.number
    text = amount(number.value, judged.unit)
    if number.error:
        text += f" ± {amount(number.error, judged.unit)}"
    range_ = bounds(number, judged.unit)
    if number.value is None:
        return f"{range_} possible" if range_ and number.high is not None else (number.status or "not measurable")
    return f"{text} ({range_})" if range_ else text


def name(judged: Judged) -> str:
    """The label with what tells several answers apart."""
    parts = [part.replace("_", " ") for part in (judged.of, f"from {judged.from_}" if judged.from_ else None) if part]
    return f"{judged.label}, {', '.join(parts)}" if parts else judged.label
