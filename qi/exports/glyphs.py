"""Which signs a font can show, so that a sign which it lacks is printed as an empty box and said so, not left out.

References: OpenType specification 1.9, table cmap, formats 4 and 12 (from memory).
"""

import struct
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

BOX = "□"
_WHITE = frozenset("\n\t ")


@cache
def signs_of(folder: Path) -> frozenset[int]:
    """Code points that every font (TTF) of a folder can show."""
    fonts = [frozenset(_signs(path.read_bytes())) for path in sorted(folder.glob("*.ttf"))]
    return frozenset.intersection(*fonts) if fonts else frozenset()


def shown(text: str, signs: frozenset[int]) -> str:
    """The text with a box for each sign that is not among those; marks without a width of their own are left out.

    Parameters: text; signs, code points that can be shown.
    """
    return "".join(char if ord(char) in signs or char in _WHITE else "" if _is_joiner(char) else BOX for char in text)


def shown_in(value: Any, signs: frozenset[int]) -> Any:  # noqa: ANN401 - any plain data
    """Plain data with each text as it can be shown; names of entries stay as they are."""
    if isinstance(value, str):
        return shown(value, signs)
    if isinstance(value, dict):
        return {key: shown_in(one, signs) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [shown_in(one, signs) for one in value]
    return value


def _is_joiner(char: str) -> bool:
    """Joiners, variation selectors, soft hyphens and control signs."""
    return char < " " or char in "\u00ad\u200b\u200c\u200d\u2060\ufeff\x7f" or "\ufe00" <= char <= "\ufe0f"


def _signs(font: bytes) -> Iterator[int]:
    count = struct.unpack_from(">H", font, 4)[0]
    entries = {font[at : at + 4]: struct.unpack_from(">I", font, at + 8)[0] for at in range(12, 12 + 16 * count, 16)}
    start = entries[b"cmap"]
    for index in range(struct.unpack_from(">H", font, start + 2)[0]):
        at = start + struct.unpack_from(">I", font, start + 8 + 8 * index)[0]
        form = struct.unpack_from(">H", font, at)[0]
        if form == 4:
            yield from _of_segments(font, at)
        elif form == 12:
            for group in range(struct.unpack_from(">I", font, at + 12)[0]):
                first, last, _ = struct.unpack_from(">III", font, at + 16 + 12 * group)
                yield from range(first, last + 1)


def _of_segments(font: bytes, at: int) -> Iterator[int]:
    twice = struct.unpack_from(">H", font, at + 6)[0]
    ends, starts, deltas, offsets = (at + 14 + skip for skip in (0, twice + 2, 2 * twice + 2, 3 * twice + 2))
    for step in range(0, twice, 2):
        first, last = (struct.unpack_from(">H", font, place + step)[0] for place in (starts, ends))
        delta, offset = (struct.unpack_from(">H", font, place + step)[0] for place in (deltas, offsets))
        for sign in range(first, last + 1):
            if sign == 0xFFFF:
                continue
            glyph = sign + delta if not offset else struct.unpack_from(">H", font, offsets + step + offset + 2 * (sign - first))[0]
            if glyph & 0xFFFF:
                yield sign
