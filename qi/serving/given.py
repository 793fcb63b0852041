"""What makes a file at a click, and who may have it: asked for when it is made, and again each time that it is fetched."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Asked:
    """What must hold for whoever has a file: act, of qi.model.people.ACTS; case, key of the case that it is of, empty for none."""

    act: str
    case: str = ""


@dataclass(frozen=True, eq=False)
class Given:
    """What a download button calls: make gives the file, or raises where the person may not have it any more.

    asked, what must hold; subject, of the sign-in of the person whose page has the button, empty for the one person.
    """

    make: Callable[[], bytes | str]
    asked: Asked
    subject: str = ""

    def __call__(self) -> bytes | str:
        """The file."""
        return self.make()
