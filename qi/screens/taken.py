"""Whatever a person takes out as a file: asked about at the click, and in the log before they have it."""

from collections.abc import Callable

from qi.library.library import Library
from qi.model.errors import NotAllowed
from qi.model.people import ACTS, may
from qi.screens.on_desk import asking, note, subject
from qi.serving.given import Asked, Given


def logged(shelf: Library, made: Callable[[], bytes | str], what: str, *, act: str, case: str = "") -> Given:
    """What makes a file, for a download button: once it is asked for, whether the person may have it then; then it is logged.

    The button calls it outside of the page's run, and a page may stand open for long: the person may have lost the role meanwhile,
    and the case may have been deleted.
    Parameters: shelf, as the person may use it; made, makes the file; what, words of the log (qi.library.log.WORDS), as "edf+, with
    identity"; act, of qi.model.people.ACTS, that the file is for; case, its key in the library, empty for none.
    """
    ACTS[act]
    whose = asking()

    def give() -> bytes | str:
        person = whose()
        if not may(person, act):
            if person.name:
                note("refused", who=person.name, what="download")
            raise NotAllowed(f"this account may not {ACTS[act]}")
        if case:
            shelf.about(case)
        shelf.log("exported", who=person.name, case=case, what=what)
        return made()

    return Given(give, Asked(act, case), subject())
