"""Pictures of cases for a wall: larger letters, several cases on axes of one length, for light and for dark grounds."""

import re
from collections.abc import Sequence

from qi.charts import svg
from qi.charts.case_picture import case_picture, stretch_of
from qi.charts.colours import ACCENTS
from qi.model.review import Review

ALONE, STACKED = (560.0, 250.0), (660.0, 190.0)  # width and height: the smaller, the larger letters are on the same wall
LEFT_OUT = ("CO2", "Devices on")  # lanes that stacked pictures do without, so that two or three fit on one wall
GROUNDS = {"light": svg.PAPER, "dark": "#14191e"}
_DARK = {
    svg.INK: "#e6eaee",
    svg.MUTED: "#b4bec8",
    svg.FAINT: "#36414b",
    svg.PAPER: GROUNDS["dark"],
    "#f3f5f7": "#1e252c",
    "#e9edf0": "#27313a",
}
_SHARES = (0.35, 0.6, 0.72)  # of white in the paler shapes of the lanes
_TAG = re.compile(r"<[^>]*>")  # in texts, both are escaped
_COLOUR = re.compile(r'(fill|stroke)="(#[0-9a-fA-F]{6})"')


def pictures(reviews: Sequence[Review], *, dark: bool = False) -> list[str]:
    """A picture of each case, with axes from and to the same minute where there are several.

    Parameters: reviews; dark, drawn on a dark page.
    Returns: SVG texts in the order of the reviews.
    """
    width, height = ALONE if len(reviews) == 1 else STACKED
    stretches = [stretch_of(review) for review in reviews]
    axis = (min(start for start, _ in stretches), max(end for _, end in stretches)) if len(reviews) > 1 else None
    without = LEFT_OUT if axis else ()
    drawn = [case_picture(review, width=width, height=height, axis_s=axis, without=without) for review in reviews]
    return [as_dark(one) for one in drawn] if dark else drawn


def as_dark(picture: str) -> str:
    """A picture that was drawn on white with the colours that mean the same on a dark ground.

    Parameters: picture, SVG text with the colours of qi.charts.svg.
    """
    known = {light.casefold(): dark for light, dark in _on_dark().items()}

    def recoloured(tag: re.Match[str]) -> str:
        return _COLOUR.sub(lambda found: f'{found[1]}="{known.get(found[2].casefold(), found[2])}"', tag[0])

    return _TAG.sub(recoloured, picture)


def _on_dark() -> dict[str, str]:
    """Each colour of a picture by its counterpart, the mixed ones mixed with the dark ground as those on paper are with white."""
    found = dict(_DARK)
    for accent in ACCENTS.values():
        found[accent["light"]] = accent["dark"]
        for share in _SHARES:
            found[svg.lighter(accent["light"], share)] = _mixed(accent["dark"], GROUNDS["dark"], share)
    return found


def _mixed(colour: str, ground: str, share: float) -> str:
    """A colour mixed with its ground; share 0 leaves it, 1 is the ground."""
    pairs = ((int(colour[at : at + 2], 16), int(ground[at : at + 2], 16)) for at in (1, 3, 5))
    return "#" + "".join(f"{round(one + (other - one) * share):02x}" for one, other in pairs)
