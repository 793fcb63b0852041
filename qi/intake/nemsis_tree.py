"""A NEMSIS file as a tree that can be trusted, and each element as what it says: value, or why there is none."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from xml.parsers import expat

from lxml import etree

from qi.intake.moments import moment
from qi.intake.nemsis_codes import APPROXIMATE
from qi.model.errors import UnreadableFile

SPACE = "http://www.nemsis.org"
NIL = "{http://www.w3.org/2001/XMLSchema-instance}nil"
LARGEST_BYTES = 100_000_000  # attachments are base64 text; our default, no source
PROLOG_BYTES = 65_536


class _SeenError(Exception):
    """Stops the look at a file's beginning once the question is answered."""


def root_name(path: Path) -> str | None:
    """Name of the root element as "namespace name", from the first bytes; None where they are not XML."""
    found: list[str] = []

    def start(name: str, _attributes: object) -> None:
        found.append(name)
        raise _SeenError

    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = start
    with path.open("rb") as file:
        try:
            parser.Parse(file.read(PROLOG_BYTES))
        except (_SeenError, expat.ExpatError, LookupError, ValueError):
            pass
    return found[0] if found else None


def _refuse_doctype(path: Path, content: bytes) -> None:
    """A NEMSIS file has no document type; one that has it may hide entities, so it is not read at all."""
    parser = expat.ParserCreate()

    def doctype(*_about: object) -> None:
        line = parser.CurrentLineNumber
        raise UnreadableFile(
            path, f"line {line}: found a DTD (<!DOCTYPE …>); a NEMSIS file has none, nor entities, and is read only so"
        )

    def start(_name: str, _attributes: object) -> None:
        raise _SeenError

    parser.StartDoctypeDeclHandler = doctype
    parser.StartElementHandler = start
    try:
        parser.Parse(content)
    except _SeenError:
        return
    except (expat.ExpatError, LookupError, ValueError) as error:
        place = f"line {parser.CurrentLineNumber}, column {parser.CurrentColumnNumber + 1}"
        raise UnreadableFile(path, f"{place}: found {error}; right would be XML that opens with <EMSDataSet>") from error


def parse(path: Path) -> etree._Element:
    """Parse a whole EMSDataSet with entities, DTD and network off.

    Parameters: path, the file.
    Returns: the root element; every element knows its line.
    Raises: UnreadableFile for a file that is too large, has a DTD, is not well-formed, or is cut short; names the line.
    """
    size = path.stat().st_size
    if size > LARGEST_BYTES:
        raise UnreadableFile(path, f"found {size} bytes; a care record is read up to {LARGEST_BYTES} bytes")
    content = path.read_bytes()
    _refuse_doctype(path, content)
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=True, remove_comments=True, remove_pis=True
    )
    try:
        return etree.fromstring(content, parser)
    except etree.XMLSyntaxError as error:
        line, column = error.position
        raise UnreadableFile(
            path,
            f"line {line}, column {column}: found {str(error.msg).split(', line')[0]}; "
            "right would be well-formed XML from <EMSDataSet> to </EMSDataSet>",
        ) from error


@dataclass(frozen=True)
class Said:
    """What one element says. value is None where it is nil or empty; nv and pn are the codes that say why, or "not done"."""

    name: str
    value: str | None
    pn: str | None
    line: int
    kind: str | None = None

    @property
    def stands(self) -> bool:
        """There is a value, and no PN takes it back."""
        return self.value is not None and self.pn in (None, APPROXIMATE)


def parts(parent: etree._Element, name: str) -> Iterator[etree._Element]:
    """Every element of that name below the parent, in the order of the file."""
    return parent.iter(f"{{{SPACE}}}{name}")


def each(parent: etree._Element, name: str, *, kind: str = "") -> list[Said]:
    """What every element of that name says; kind names the attribute that tells code system or unit."""
    return [_said(element, name, kind) for element in parts(parent, name)]


def first(parent: etree._Element, name: str, *, kind: str = "") -> Said:
    """What the first element of that name says; one that is absent says nothing."""
    element = next(parts(parent, name), None)
    return Said(name, None, None, int(parent.sourceline or 0)) if element is None else _said(element, name, kind)


def _said(element: etree._Element, name: str, kind: str) -> Said:
    text = (element.text or "").strip()
    nil = element.get(NIL) in ("true", "1")
    return Said(name, None if nil or not text else text, element.get("PN"), int(element.sourceline or 0), element.get(kind or "-"))


def aware_moment(text: str) -> datetime:
    """An aware time within the standard's range, like 2031-04-17T14:02:11-06:00.

    Raises: ValueError that says what is wrong with it.
    """
    time = moment(text)
    if time.tzinfo is None:
        raise ValueError(f"“{text}” has no offset from UTC, which every NEMSIS time needs")
    if not 1950 <= time.year <= 2050:
        raise ValueError(f"“{text}” is outside 1950 to 2050, the range of the standard")
    return time


def good_moment(said: Said) -> datetime | None:
    """The aware time of an element that has a good one; None otherwise, without a word (the reader of that element speaks)."""
    try:
        return aware_moment(str(said.value)) if said.stands else None
    except ValueError:
        return None
