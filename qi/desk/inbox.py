"""The inbox: the one folder of a server below which people who sign in can name folders for bringing in."""

from pathlib import Path, PurePosixPath, PureWindowsPath

from qi.model.errors import QiError


def below(inbox: Path, typed: str) -> Path:
    """A folder or file of the inbox.

    What is typed is looked at as a text before any disk is asked, in the forms of every system: an address of another machine
    (a UNC path) would be called, with the server's own account, by no more than asking whether it is there.
    Parameters: inbox, resolved; typed, a name below it, “.” for all of it.
    Returns: the place, resolved.
    Raises: QiError, in the same words for what lies elsewhere and for what is not there.
    """
    refused = QiError(f"There is no folder “{typed}” in the inbox. Write its name as it stands there.")
    parts = {*PurePosixPath(typed).parts, *PureWindowsPath(typed).parts}
    if not typed or "\0" in typed or ".." in parts or PurePosixPath(typed).anchor or PureWindowsPath(typed).anchor:
        raise refused
    try:
        place = (inbox / typed).resolve(strict=True)
    except (OSError, RuntimeError, ValueError) as error:
        raise refused from error
    if not place.is_relative_to(inbox.resolve()):
        raise refused
    return place
