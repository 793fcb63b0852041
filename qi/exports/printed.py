"""A page to print: a template filled with plain data and pictures, as PDF with tags for screen readers and its own fonts.

The page is the same on every machine: only the fonts beside this module are used, and text is handed over as data, never as markup.

References: PDF/UA-1 (ISO 14289-1:2014), which the making enforces: a picture without words to stand for it is refused.
"""

import json
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import typst

from qi.exports import glyphs
from qi.model.cautions import SHORT
from qi.model.errors import QiError
from qi.model.paper import A4, LETTER

TEMPLATES = Path(__file__).parent / "templates"
FONTS = Path(__file__).parent / "fonts"
_NONE: Mapping[str, str] = MappingProxyType({})
_PAPERS: Mapping[str, str] = {A4: "a4", LETTER: "us-letter"}  # as the maker of pages calls them
_FEW_DOTS = 10.0  # an inch, of pages that are counted and not looked at
_SVG = "{http://www.w3.org/2000/svg}"


def pdf(template: str, data: Mapping[str, Any], pictures: Mapping[str, str] = _NONE, *, at: datetime | None = None) -> bytes:
    """Make a PDF of a template of this package.

    Parameters: template, name of a file in `templates` without its ending; data, plain values that JSON can hold (`title` becomes
    the document's, `banner` the agency's line on each page, `paper` a word of PAPERS, by default A4, `caution` the foot, by default
    the short caution); pictures, SVG text by name, each with a <title> (and a <desc>) that stands for it where it cannot be seen;
    at, aware, the date in the file's properties; None leaves it out.
    Returns: the file; the same for the same arguments.
    Raises: QiError in words where there is no such template or paper, a picture has no title, or the page cannot be made.
    """
    stamp = None if at is None else at.astimezone(UTC).replace(microsecond=0)
    try:
        made = typst.compile(_place(template), format="pdf", pdf_standards=["ua-1"], timestamp=stamp, **_given(data, pictures, at))
    except (typst.TypstError, RuntimeError) as error:
        raise QiError(f"the page “{template}” cannot be made: {_in_words(error)}") from error
    return _bytes(made)


def pages(
    template: str, data: Mapping[str, Any], pictures: Mapping[str, str] = _NONE, *, dots_per_inch: float = 100.0
) -> list[bytes]:
    """The pages of a PDF as pictures (PNG), to look at; see pdf."""
    try:
        made = typst.compile(_place(template), format="png", ppi=dots_per_inch, **_given(data, pictures, None))
    except (typst.TypstError, RuntimeError) as error:
        raise QiError(f"the page “{template}” cannot be made: {_in_words(error)}") from error
    return [bytes(page) for page in made] if isinstance(made, list) else [_bytes(made)]


def count(template: str, data: Mapping[str, Any], pictures: Mapping[str, str] = _NONE) -> int:
    """How many pages a PDF has; see pdf."""
    return len(pages(template, data, pictures, dots_per_inch=_FEW_DOTS))


def alternative(svg: str) -> str:
    """The words that stand for a picture: its title and description.

    Raises: QiError where it is no SVG, or has no title.
    """
    try:
        root = ET.fromstring(svg)
    except ET.ParseError as error:
        raise QiError(f"a picture is not SVG: {error}") from error
    title, words = (" ".join((root.findtext(f"{_SVG}{name}") or "").split()) for name in ("title", "desc"))
    if not title:
        raise QiError("a picture has no <title>: say in words what it shows")
    return f"{title.rstrip('.')}. {words}" if words else title


def _place(template: str) -> Path:
    path = TEMPLATES / f"{template}.typ"
    if not path.is_file():
        there = ", ".join(sorted(one.stem for one in TEMPLATES.glob("*.typ")))
        raise QiError(f"there is no template “{template}”; there are {there}")
    return path


def _given(data: Mapping[str, Any], pictures: Mapping[str, str], at: datetime | None) -> dict[str, Any]:
    drawn = {name: {"svg": svg, "alt": alternative(svg)} for name, svg in pictures.items()}
    whole = {"title": "", "banner": "", "caution": SHORT, "paper": A4} | dict(data) | {"pictures": drawn, "dated": at is not None}
    if whole["paper"] not in _PAPERS:
        raise QiError(f"there is no paper “{whole['paper']}”; there are {', '.join(_PAPERS)}")
    whole["paper"] = _PAPERS[whole["paper"]]
    if at is not None:
        whole["made_on"] = f"{at.astimezone(UTC):%d %b %Y}"
    try:
        whole = glyphs.shown_in(whole, glyphs.signs_of(FONTS))
        whole["boxes"] = glyphs.BOX in json.dumps(whole, ensure_ascii=False)
        text = json.dumps(whole, ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError) as error:
        raise QiError(f"what should be printed is not plain data: {error}") from error
    return {"root": TEMPLATES, "font_paths": _fonts(), "ignore_system_fonts": True, "sys_inputs": {"data": text}}


@cache
def _fonts() -> typst.Fonts:
    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[FONTS])


def _in_words(error: Exception) -> str:
    hints = getattr(error, "hints", None) or []
    return "; ".join([str(getattr(error, "message", None) or error), *hints])


def _bytes(made: bytes | list[bytes] | None) -> bytes:
    if isinstance(made, list):
        return b"".join(made)
    return made or b""
