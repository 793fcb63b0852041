"""Bringing cases into the library: originals kept, files read, the case stored and summarised; one that is there is recognised."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

from qi import pipeline
from qi.desk import typed
from qi.desk.agencies import maps_of, protocols_near
from qi.desk.cohort import Newcomers
from qi.intake.folder import read_case
from qi.intake.header import NAME as HEADER
from qi.intake.header import Given, read_header
from qi.intake.look_over import case_folders, fingerprint, passed_over
from qi.intake.map_form import Map
from qi.judge.concern import concern
from qi.library.cases import Match
from qi.library.library import Library
from qi.library.worklist import Summary
from qi.model.case import Case
from qi.model.errors import QiError, UnreadableFile
from qi.model.review import Review

APART = timedelta(days=1)  # files of one number that begin further apart are two calls (our default, no source)
UNKNOWN = "nothing here knows its files; looked into under Bring in, a map can be made for a table"
UNSAID = "-"  # stands for the number of a case whose header gives none


@dataclass(frozen=True)
class BroughtIn:
    """What became of one case: where it lies, and how.

    how is new, same (all of it was there already), grown (files were added to a case that was there) or refused; said is in words.
    """

    path: Path
    how: str
    said: str
    key: str | None = None
    case_id: str | None = None


def bring_in(
    library: Library,
    path: Path,
    *,
    who: str,
    agency: str = "",
    given: Given | None = None,
    invented: bool = False,
    into: str | None = None,
) -> BroughtIn:
    """Bring one case in: a folder of files, or a single file.

    Parameters: library; path; who brings it in; agency, whose maps are used; given, id and zone that a person typed, where the case
    has no header of its own: without one, the zone that the library's settings name; invented, whether it is made up; into, the key
    of the case that these files belong to, where a person says so.
    Returns: BroughtIn. A case whose files are all there already is recognised and left; one that shares a file with a case of the
    library, or has the same number at the same agency, adds its new files to it. Its row in the cohort table follows.
    """
    with Newcomers(library) as rows:
        return _bring_in(library, path, rows, who=who, agency=agency, given=given, invented=invented, into=into)


def _bring_in(
    library: Library,
    path: Path,
    rows: Newcomers,
    *,
    who: str,
    agency: str,
    given: Given | None,
    invented: bool = False,
    into: str | None = None,
) -> BroughtIn:
    given = replace(given or Given(), zone=(given and given.zone) or library.settings.zone or None)
    try:
        digests = {name: sha256 for name, _, sha256 in fingerprint(path).files}
        files = {name: path / name if path.is_dir() else path for name in digests}
        if not files:
            raise UnreadableFile(path, "holds no file that belongs to a case")
        case_id = _number(path, given)
        found = match(library, path, agency=agency, given=given)
        if found.how == "same" and found.key:
            known = library.about(found.key).case_id
            return BroughtIn(path, "same", f"is in the library already, as {known}", found.key, known)
        target = into or found.key
        fresh = {name: file for name, file in files.items() if digests[name] in found.new_digests} if target else files
        if target and not fresh:
            return BroughtIn(path, "same", "is in the library already", target, library.about(target).case_id)
        return _kept(
            library, path, fresh, rows, who=who, agency=agency, given=given, invented=invented, into=target, case_id=case_id
        )
    except (QiError, OSError) as error:
        return BroughtIn(path, "refused", str(error))


def match(library: Library, path: Path, *, agency: str = "", given: Given | None = None) -> Match:
    """The case of the library that files belong to.

    Parameters: path, where they lie; agency and given, see bring_in.
    Returns: Match. A log of dispatch alone, which may hold many calls, joins nothing by its content; nor do files whose case.toml
    gives another number, or that tell of a call more than APART before or after that of the case.
    """
    digests, case_id = frozenset(sha256 for _, _, sha256 in fingerprint(path).files), _number(path, given)
    found = library.match(digests, case_id, agency)
    if found.how in ("new", "same") or found.key is None:
        return found
    known = library.about(found.key)
    shared = [one for one in library.files(found.key) if one.sha256 in digests and one.name != HEADER]
    by_content = any(not one.read_as.endswith(", dispatch") for one in shared)
    is_other = number_in_header(path) not in (None, known.case_id) or not (by_content or case_id == known.case_id)
    if is_other or _apart(library, path, found.key, agency=agency, given=given):
        return Match(None, "new", digests)
    return found


def number_in_header(path: Path) -> str | None:
    """The case number that case.toml gives; None without one."""
    number = read_header(path, Given(UNSAID)).id
    return None if number == UNSAID else number


def _apart(library: Library, path: Path, key: str, *, agency: str, given: Given | None) -> bool:
    """Whether files, read alone, tell of another day than a case of the library."""
    try:
        alone = read_case(path, maps=maps_of(library, agency), given=given).start
    except QiError:
        return False
    known = library.about(key).call_at
    return alone is not None and known is not None and abs(alone - known) > APART


def _number(path: Path, given: Given | None) -> str:
    """The agency's case number: as case.toml says, else as a person typed it, else the name of the folder or file."""
    return read_header(path, given).id


def _kept(
    library: Library,
    path: Path,
    files: Mapping[str, Path],
    rows: Newcomers,
    *,
    who: str,
    agency: str,
    given: Given | None,
    invented: bool,
    into: str | None,
    case_id: str,
) -> BroughtIn:
    """Keep the originals, read them, and store what they say; what cannot be read at all leaves nothing behind."""
    draft = library.begin(files, into=into)
    try:
        known = library.about(into).case_id if into else case_id
        zone = typed.kept(library, draft.key).zone or (given.zone if given else None)
        case = read_case(draft.folder, maps=maps_of(library, agency), given=Given(case_id, zone))
        case = replace(case, id=known)
        review = measured(library, case)
        read_as = {source.file.partition("#")[0]: f"{source.format}, {source.kind}" for source in case.sources}
        draft.finish(case, summary(review), who=who, agency=agency, read_as=read_as, invented=invented)
        typed.keep(library, draft.key, given)
    except BaseException:
        draft.abandon()
        raise
    rows.add(draft.key, None if into else review)
    how = "grown" if into else "new"
    counted = f"{len(files)} file{'' if len(files) == 1 else 's'}"
    said = f"{counted} added to {known}" if into else f"brought in as {known}: {counted}"
    return BroughtIn(path, how, said, draft.key, known)


def measured(library: Library, case: Case) -> Review:
    """The case as the machine finds it, under the protocol that is in force for it."""
    return pipeline.review(case, pipeline.choose_protocol(case, near=protocols_near(library)))


def summary(review: Review) -> Summary:
    """What the worklist shows of a case."""
    case, facts, asked = review.case, review.case.facts, concern(review)
    return Summary(case.start, facts.station, facts.shift, facts.unit, asked.weight, asked.words)


def bring_in_all(
    library: Library, places: Sequence[Path], *, who: str, agency: str = "", given: Given | None = None
) -> Iterator[tuple[int, BroughtIn]]:
    """Bring in every case of several folders, or folders of folders, one after the other.

    Parameters: see bring_in.
    Returns: how many cases there are in all, with each as it is done; one that fails stops nothing.
    """
    cases, refused = _cases(places, maps_of(library, agency))
    count = len(cases) + len(refused)
    for one in refused:
        yield count, one
    with Newcomers(library) as rows:
        for case in cases:
            yield count, _bring_in(library, case, rows, who=who, agency=agency, given=given)


def _cases(places: Sequence[Path], maps: Sequence[Map]) -> tuple[list[Path], list[BroughtIn]]:
    """Every case of several places once, and the places in which none can be looked for or whose files nothing here knows."""
    cases: dict[Path, None] = {}
    refused = []
    for place in places:
        try:
            cases |= dict.fromkeys([place] if place.is_file() else case_folders(place, maps))
            refused += [BroughtIn(folder, "refused", UNKNOWN) for folder in passed_over(place, maps)]
        except QiError as error:
            refused.append(BroughtIn(place, "refused", str(error)))
    return list(cases), refused
