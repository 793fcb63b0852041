"""The invented sample cases: brought into an empty library, so that every page has something to show, and taken out again."""

from pathlib import Path

from qi.desk import cohort
from qi.desk.bring_in import bring_in
from qi.library.library import Library

FOLDER = Path(__file__).parents[2] / "sample_cases"
OVER_THE_YEARS = FOLDER / "agency"  # the cohort table of an invented agency over three years
AGENCY = "Rillstone Valley EMS (invented)"
BY = "the app, on its first start"


def bring_in_where_empty(library: Library) -> int:
    """Bring the sample cases into an empty library.

    Returns: how many came in.
    """
    if library.keys() or not FOLDER.is_dir():
        return 0
    folders = sorted(path for path in FOLDER.iterdir() if path.is_dir() and path != OVER_THE_YEARS)
    for folder in folders:
        bring_in(library, folder, who=BY, agency=AGENCY, invented=True)
    return len(folders)


def take_out(library: Library, *, who: str) -> int:
    """Remove the invented cases with all that was said of them.

    Returns: how many went.
    """
    keys = [key for key in library.keys() if library.about(key).invented]
    for key in keys:
        library.remove(key, who=who)
    cohort.forget(library, keys)
    return len(keys)
