"""A small writer of SVG: shapes and words with every text escaped, colours by meaning, the same drawing in colour and in grey.

Nothing in it refers to another file. Lengths are user units (of the picture's viewBox).
"""

import re
import textwrap
from collections.abc import Iterable, Sequence
from xml.sax.saxutils import escape, quoteattr, unescape

from qi.charts.colours import ACCENTS

INK, MUTED, FAINT, PAPER = "#1d252c", "#4b5660", "#d5dbe1", "#ffffff"
_NOTE = 7.0  # size of the words under a picture
FONT = "'DejaVu Sans', 'DejaVu Sans Condensed', Verdana, sans-serif"
_WIDE, _NARROW = (
    0.60,
    0.53,
)  # mean width of a letter in the size of its font, bold and plain (measured on the font beside qi.exports)


def colour(meaning: str, *, grey: bool = False) -> str:
    """The accent of a meaning on white paper; as a grey of the same lightness where colours are not printed.

    References: relative luminance, WCAG 2.1 (from memory).
    """
    accent = ACCENTS[meaning]["light"]
    return as_grey(accent) if grey else accent


def as_grey(colour_: str) -> str:
    """A colour (#rrggbb) as the grey that is as light."""
    parts = [int(colour_[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    light = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    shown = 12.92 * light if light <= 0.0031308 else 1.055 * light ** (1 / 2.4) - 0.055
    return "#" + f"{round(shown * 255):02x}" * 3


def lighter(colour_: str, share: float) -> str:
    """A colour mixed with white; share 0 leaves it, 1 is white."""
    parts = (int(colour_[at : at + 2], 16) for at in (1, 3, 5))
    return "#" + "".join(f"{round(part + (255 - part) * share):02x}" for part in parts)


def width_of(words: str, size: float, *, bold: bool = False) -> float:
    """About how wide words are."""
    return len(words) * size * (_WIDE if bold else _NARROW)


def drawing(width: float, height: float, parts: Iterable[str], *, title: str, words: str = "") -> str:
    """A whole picture.

    Parameters: width and height; parts, shapes in the order in which they are painted; title and words, which stand for the
    picture where it cannot be seen.
    """
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(width)} {_n(height)}" width="{_n(width)}" height="{_n(height)}" '
        f'role="img" font-family={quoteattr(FONT)} font-stretch="semi-condensed">'
    )
    return "".join([head, f"<title>{escape(title)}</title>", f"<desc>{escape(words)}</desc>" if words else "", *parts, "</svg>"])


def under_a_line(picture: str, banner: str) -> str:
    """A drawing with the agency's own line above it, in rows as wide as the picture; as it is where there is none.

    Parameters: picture, SVG text as `drawing` makes it; banner, plain text.
    """
    head = re.match(r'<svg [^>]*viewBox="0 0 ([\d.]+) ([\d.]+)"[^>]*>', picture)
    if head is None or not banner:
        return picture
    width, height = float(head[1]), float(head[2])
    rows = textwrap.wrap(banner, max(8, int((width - 8) / width_of("m", 9.0, bold=True))))
    room = 12.0 * len(rows) + 6.0
    parts = [text(width / 2, 11.0 + 12.0 * row, words, size=9.0, anchor="middle", bold=True) for row, words in enumerate(rows)]
    inner = picture.removesuffix("</svg>").replace("<svg ", f'<svg y="{_n(room)}" ', 1) + "</svg>"
    return drawing(width, height + room, [*parts, inner], title=alternative_title(picture))


def over_lines(picture: str, notes: Iterable[str]) -> str:
    """A drawing with sentences under it, in rows as wide as the picture; as it is where there is none.

    Parameters: picture, SVG text as `drawing` makes it; notes, plain text, each begun on a row of its own.
    """
    head = re.match(r'<svg [^>]*viewBox="0 0 ([\d.]+) ([\d.]+)"[^>]*>', picture)
    most = 0 if head is None else max(8, int((float(head[1]) - 8) / width_of("m", _NOTE)))
    rows = [row for note in notes for row in textwrap.wrap(note, most or 80)]
    if head is None or not rows:
        return picture
    width, height = float(head[1]), float(head[2])
    parts = [text(4, height + 12.0 + 10.0 * at, words, size=_NOTE, fill=MUTED) for at, words in enumerate(rows)]
    inner = picture.replace("<svg ", '<svg y="0" ', 1)
    return drawing(width, height + 10.0 * len(rows) + 8.0, [inner, *parts], title=alternative_title(picture))


def alternative_title(picture: str) -> str:
    """The words that a drawing has for its title."""
    found = re.search(r"<title>(.*?)</title>", picture, re.DOTALL)
    return unescape(found[1]) if found else ""


def rect(x: float, y: float, width: float, height: float, *, fill: str = "none", stroke: str = "", thick: float = 0.8) -> str:
    """A rectangle; nothing where it has no size."""
    if width <= 0 or height <= 0:
        return ""
    line_ = f' stroke="{stroke}" stroke-width="{_n(thick)}"' if stroke else ""
    return f'<rect x="{_n(x)}" y="{_n(y)}" width="{_n(width)}" height="{_n(height)}" fill="{fill}"{line_}/>'


def line(x1: float, y1: float, x2: float, y2: float, *, stroke: str = INK, thick: float = 0.8, dashes: str = "") -> str:
    """A line from point to point; dashes as in stroke-dasharray."""
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<line x1="{_n(x1)}" y1="{_n(y1)}" x2="{_n(x2)}" y2="{_n(y2)}" stroke="{stroke}" stroke-width="{_n(thick)}"{dashed}/>'


def lines(points: Iterable[tuple[float, float, float, float]], *, stroke: str, thick: float = 0.8) -> str:
    """Many lines of one look as one shape."""
    path = "".join(f"M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}" for x1, y1, x2, y2 in points)
    return f'<path d="{path}" fill="none" stroke="{stroke}" stroke-width="{_n(thick)}"/>' if path else ""


def polygon(points: Sequence[tuple[float, float]], *, fill: str, stroke: str = "", thick: float = 0.8) -> str:
    """A closed shape; nothing for fewer than three corners."""
    if len(points) < 3:
        return ""
    line_ = f' stroke="{stroke}" stroke-width="{_n(thick)}"' if stroke else ""
    return f'<polygon points="{" ".join(f"{_n(x)},{_n(y)}" for x, y in points)}" fill="{fill}"{line_}/>'


def polyline(points: Sequence[tuple[float, float]], *, stroke: str, thick: float = 1.2) -> str:
    """An open line through points; nothing for fewer than two."""
    if len(points) < 2:
        return ""
    joined = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
    return f'<polyline points="{joined}" fill="none" stroke="{stroke}" stroke-width="{_n(thick)}"/>'


def circle(x: float, y: float, radius: float, *, fill: str, stroke: str = "") -> str:
    """A disc."""
    line_ = f' stroke="{stroke}" stroke-width="1"' if stroke else ""
    return f'<circle cx="{_n(x)}" cy="{_n(y)}" r="{_n(radius)}" fill="{fill}"{line_}/>'


def text(
    x: float,
    y: float,
    words: str,
    *,
    size: float = 8.0,
    fill: str = INK,
    anchor: str = "start",
    bold: bool = False,
    halo: bool = False,
) -> str:
    """Words on one line, y their foot.

    Parameters: anchor, start, middle or end; halo, a white edge around the letters, so that they can be read on a shape.
    """
    weight = ' font-weight="bold"' if bold else ""
    place = f'x="{_n(x)}" y="{_n(y)}" font-size="{_n(size)}" text-anchor="{anchor}"{weight}'
    edge = (
        f'<text {place} fill="{PAPER}" stroke="{PAPER}" stroke-width="2.4" aria-hidden="true">{escape(words)}</text>'
        if halo
        else ""
    )
    return f'{edge}<text {place} fill="{fill}">{escape(words)}</text>'


def hatched(x: float, y: float, width: float, height: float, *, stroke: str = MUTED, step: float = 4.0, thick: float = 0.6) -> str:
    """A stretch filled with slanting lines, with its edge: what is not known."""
    if width <= 0 or height <= 0:
        return ""
    found = []
    offset = -height
    while offset < width:
        left, right = max(0.0, offset), min(width, offset + height)
        if right > left:
            found.append((x + left, y + height - (left - offset), x + right, y + height - (right - offset)))
        offset += step
    return lines(found, stroke=stroke, thick=thick) + rect(x, y, width, height, stroke=stroke, thick=0.4)


def _n(value: float) -> str:
    """A number to two decimals, without needless zeros."""
    return f"{value:.2f}".rstrip("0").rstrip(".") if value else "0"
