"""Which maps of an agency serve one file, and what they say of its labels and words."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

from qi.intake.delimited import fits, head_of
from qi.intake.map_form import Map
from qi.intake.meanings import Column, Word
from qi.model.case import Note
from qi.model.vocabulary import plain

Said = TypeVar("Said", Column, Word)


@dataclass(frozen=True)
class Choice:
    """Which maps serve one file: the one that reads it as a table, if any, and what all of them say of labels and words."""

    table: Map | None = None
    labels: Mapping[str, Column] = field(default_factory=dict)
    words: Mapping[str, Word] = field(default_factory=dict)
    notes: tuple[Note, ...] = ()


def applying(maps: Sequence[Map], path: Path) -> Choice:
    """Choose the maps that serve a file: of those for tables the one that finds most columns, and all that are for any file.

    Parameters: maps, of one agency; path, of the file, of which the head alone is read.
    Returns: Choice; where two maps serve equally well, or say different things of one word, the first by name is taken and said.
    """
    tables = [each for each in maps if each.is_for_tables]
    head = head_of(path) if tables else None
    fitting = sorted((each for each in tables if head and fits(each, head)), key=lambda each: (-len(set(each.finds)), each.name))
    best = [each for each in fitting if len(set(each.finds)) == len(set(fitting[0].finds))]
    said = []
    if len({replace(each, name="") for each in best}) > 1:
        others = ", ".join(f"“{each.name}”" for each in best[1:])
        said.append(f"the map “{best[0].name}” is used; {others} would fit as well, and say otherwise")
    speaking = best[:1] + sorted((each for each in maps if not each.is_for_tables), key=lambda each: each.name)
    labels = _first(((plain(label.name), label) for each in speaking for label in _labels(each)), said)
    words = _first(((plain(word.text), word) for each in speaking for word in _words(each)), said)
    return Choice(best[0] if best else None, labels, words, tuple(Note("warning", path.name, text) for text in said))


def _labels(map_: Map) -> list[Column]:
    return [replace(column, of_map=map_.name) for column in (*map_.labels, *map_.columns) if column.channel]


def _words(map_: Map) -> list[Word]:
    moments = [Word(column.name, column.event, column.value) for column in map_.columns if column.event]
    return [replace(word, of_map=map_.name) for word in (*map_.words, *moments)]


def _first(options: Iterable[tuple[str, Said]], said: list[str]) -> dict[str, Said]:
    """Of each name what the first map says; said where another says otherwise."""
    found: dict[str, Said] = {}
    for name, option in options:
        first = found.setdefault(name, option)
        if _stripped(first) != _stripped(option):
            own = option.name if isinstance(option, Column) else option.text
            said.append(f"the maps “{first.of_map}” and “{option.of_map}” say different things of “{own}”; the first is used")
    found.pop("", None)
    return found


def _stripped(option: Column | Word) -> Column | Word:
    """What is said, whatever the spelling of its name."""
    return replace(option, name="") if isinstance(option, Column) else replace(option, text="")
