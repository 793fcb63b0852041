"""Times as files write them: ISO 8601 with or without offset, and what a clock change does to them."""

import re
from datetime import datetime
from zoneinfo import ZoneInfo

# A time further than this from the start of its file, or from the file's other times, is a slip [s]: three years (our default, no
# source).
FARTHEST_S = 1e8

_ISO = re.compile(r"\d{4}-\d\d-\d\d[T ](\d\d):(\d\d)(?::(\d\d)(?:[.,]\d+)?)?\s*(Z|[+-]\d\d:?\d\d)?", re.IGNORECASE)


def moment(text: str) -> datetime:
    """Read one time as a file writes it: ISO 8601, date and time of day, with an offset (aware) or without (naive).

    Raises: ValueError saying what is wrong in words for a person; 24:00:00 and a second of 60 are refused, not rolled over.
    """
    found = _ISO.fullmatch(text.strip())
    if not found:
        raise ValueError(f"“{text[:40]}” is not a time; right would be 2031-04-17T14:02:11-06:00")
    hour, minute, second = (int(part or 0) for part in found.groups()[:3])
    if hour == 24:
        raise ValueError(f"“{text}”: the hour 24 does not exist; right would be 00 on the next day")
    if second >= 60 or minute >= 60:
        raise ValueError(f"“{text}”: minutes and seconds end at 59")
    try:
        return datetime.fromisoformat(text.strip().replace(" ", "T", 1).replace(" ", "").replace(",", "."))
    except ValueError as error:
        raise ValueError(f"“{text}”: {error}") from None


def readings(naive: datetime, zone: ZoneInfo) -> tuple[datetime, ...]:
    """The moments that a wall-clock time can mean in a zone: one, or two in the hour that a clock change repeats or skips.

    References: PEP 495 (fold): the first reading has the offset before the change, the second the one after it.
    """
    first, second = (naive.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    return (first,) if first.utcoffset() == second.utcoffset() else (first, second)


def in_lines(numbers: list[int]) -> str:
    """Where in a text file: "line 3", or "lines 3, 4 and 9"."""
    return f"line{'s' if len(numbers) > 1 else ''} {listed(numbers)}"


def listed(numbers: list[int], *, most: int = 8) -> str:
    """Line numbers in words: "3, 4 and 9", or the first few and how many more."""
    shown = [str(number) for number in numbers[:most]]
    if len(numbers) > most:
        return f"{', '.join(shown)} and {len(numbers) - most} more"
    return " and ".join([", ".join(shown[:-1]), shown[-1]]) if len(shown) > 1 else "".join(shown)
