"""What a file's own columns, labels and words stand for, as a person has said it once."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from qi.model.vocabulary import plain


@dataclass(frozen=True)
class Column:
    """What one column of a table, or one label of a recording, stands for.

    channel is a channel id or “ignored”; unit that of its numbers ("" = the one that the file gives); the numbers are multiplied by
    scale first (-1 turns the sign). A column that holds moments has the event that happened then, and its value, in place of a
    channel. of_map is the name of the map that says so.
    """

    name: str
    channel: str = ""
    unit: str = ""
    scale: float = 1.0
    event: str = ""
    value: str = ""
    of_map: str = field(default="", compare=False)


@dataclass(frozen=True)
class Word:
    """What an event word, a status or the text of an annotation stands for: an event type and, where it is fixed, its value."""

    text: str
    type: str
    value: str = ""
    of_map: str = field(default="", compare=False)


def by_plain_text(words: Iterable[Word]) -> dict[str, Word]:
    """Words by their text without case, spaces and punctuation; of two alike the first."""
    found: dict[str, Word] = {}
    for word in words:
        found.setdefault(plain(word.text), word)
    return found
