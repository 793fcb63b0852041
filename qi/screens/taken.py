"""Whatever a person takes out as a file stands in the log before they have it."""

from collections.abc import Callable

from qi.library.library import Library
from qi.screens.on_desk import who


def logged(shelf: Library, made: Callable[[], bytes | str], what: str, *, case: str = "") -> Callable[[], bytes | str]:
    """What makes a file, for a download button, so that it is logged once the file is asked for.

    Parameters: shelf; made, makes the file; what, words of the log (qi.library.log.WORDS), as "edf+, with identity"; case, its key
    in the library, empty for none. The button calls it outside of the page's run: the name is taken now.
    """
    name = who()

    def give() -> bytes | str:
        shelf.log("exported", who=name, case=case, what=what)
        return made()

    return give
