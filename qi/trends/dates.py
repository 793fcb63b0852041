"""Months and quarters: where a day falls, and how a person says it."""

from collections.abc import Iterator
from datetime import date

MONTH, QUARTER, CASE = "month", "quarter", "case"
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_QUARTERS = ("first", "second", "third", "fourth")
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")


def first_day(day: date, every: str) -> date:
    """First day of the month or quarter that a day falls in; of a case, the day itself."""
    if every == CASE:
        return day
    month = day.month if every == MONTH else day.month - (day.month - 1) % 3
    return date(day.year, month, 1)


def periods(first: date, last: date, every: str) -> Iterator[date]:
    """First days of every month or quarter from one to another, both included."""
    step = 1 if every == MONTH else 3
    day = first_day(first, every)
    while day <= last:
        yield day
        months = day.year * 12 + day.month - 1 + step
        day = date(months // 12, months % 12 + 1, 1)


def label(day: date, every: str) -> str:
    """Short name under an axis: 2031-03, 2031 Q1, 2031-03-14."""
    if every == QUARTER:
        return f"{day.year} Q{(day.month + 2) // 3}"
    return day.isoformat()[:7] if every == MONTH else day.isoformat()


def named(start: str, every: str) -> str:
    """A period as it is said: March 2031, the first quarter of 2031, 14 March 2031.

    Parameters: start, its first day as YYYY-MM-DD; every, month, quarter or case.
    """
    day = date.fromisoformat(start)
    if every == QUARTER:
        return f"the {_QUARTERS[(day.month - 1) // 3]} quarter of {day.year}"
    month = f"{_MONTHS[day.month - 1]} {day.year}"
    return month if every == MONTH else f"{day.day} {month}"


def counted(number: int, noun: str) -> str:
    """A number of things in words up to twelve: one month, eleven months, 14 months."""
    text = _COUNTS[number] if 0 <= number < len(_COUNTS) else str(number)
    return f"{text} {noun}" if number == 1 else f"{text} {noun}s"
