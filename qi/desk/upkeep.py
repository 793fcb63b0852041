"""Keeping the library whole: what was computed made anew from the originals, and the originals held against their digests."""

from collections.abc import Iterator
from dataclasses import replace

from qi.desk import cohort, typed
from qi.desk.agencies import maps_of
from qi.desk.bring_in import measured, summary
from qi.intake.folder import read_case
from qi.library.library import Library
from qi.model.errors import QiError


def rebuild(library: Library) -> Iterator[tuple[int, str, str]]:
    """Make every stored copy and every line of the worklist anew from originals and journal, and then the cohort table.

    Returns: how many cases there are, with the number of each as it is done, and what went wrong with it ("" where nothing did);
    then once more the cases of which the cohort table could not be made.
    """
    library.rebuild_states()
    keys = library.keys()
    for key in keys:
        entry = library.about(key)
        try:
            maps, given = maps_of(library, entry.agency), typed.kept(library, key)
            case = replace(read_case(library.originals_folder(key), maps=maps, given=given), id=entry.case_id)
            library.store(key, case)
            library.summarise(key, summary(measured(library, case)))
            yield len(keys), entry.case_id, ""
        except QiError as error:
            yield len(keys), entry.case_id, str(error)
    for _, case_id, trouble in cohort.build(library, anew=True):
        if trouble:
            yield len(keys), case_id, f"not in the cohort table: {trouble}"


def check(library: Library) -> Iterator[tuple[int, str, list[str]]]:
    """Hold the originals of every case against the digests that they came with.

    Returns: how many cases there are, with the number of each and one sentence for each original that is missing or changed.
    """
    keys = library.keys()
    for key in keys:
        yield len(keys), library.about(key).case_id, library.check(key)
