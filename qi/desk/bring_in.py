"""Bringing cases into the library: originals kept, files read, the case stored and summarised; one that is there is recognised."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from qi import pipeline
from qi.desk.agencies import maps_of, protocols_near
from qi.intake.folder import read_case
from qi.intake.header import Given, read_header
from qi.intake.look_over import case_folders, fingerprint
from qi.judge.concern import concern
from qi.library.library import Library
from qi.library.worklist import Summary
from qi.model.case import Case
from qi.model.errors import QiError, UnreadableFile
from qi.model.review import Review


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
    has no header of its own; invented, whether it is made up; into, the key of the case that these files belong to, where a person
    says so.
    Returns: BroughtIn. A case whose files are all there already is recognised and left; one that shares a file with a case of the
    library, or has the same number at the same agency, adds its new files to it.
    """
    try:
        digests = {name: sha256 for name, _, sha256 in fingerprint(path).files}
        files = {name: path / name if path.is_dir() else path for name in digests}
        if not files:
            raise UnreadableFile(path, "holds no file that belongs to a case")
        case_id = _number(path, given)
        match = library.match(set(digests.values()), case_id, agency)
        if match.how == "same" and match.key:
            known = library.about(match.key).case_id
            return BroughtIn(path, "same", f"is in the library already, as {known}", match.key, known)
        target = into or match.key
        fresh = {name: file for name, file in files.items() if digests[name] in match.new_digests} if target else files
        if target and not fresh:
            return BroughtIn(path, "same", "is in the library already", target, library.about(target).case_id)
        return _kept(library, path, fresh, who=who, agency=agency, given=given, invented=invented, into=target, case_id=case_id)
    except (QiError, OSError) as error:
        return BroughtIn(path, "refused", str(error))


def _number(path: Path, given: Given | None) -> str:
    """The agency's case number: as case.toml says, else as a person typed it, else the name of the folder or file."""
    return read_header(path, given).id


def _kept(
    library: Library,
    path: Path,
    files: Mapping[str, Path],
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
        case = read_case(draft.folder, maps=maps_of(library, agency), given=given)
        case = replace(case, id=known)
        review = measured(library, case)
        read_as = {source.file.partition("#")[0]: f"{source.format}, {source.kind}" for source in case.sources}
        draft.finish(case, summary(review), who=who, agency=agency, read_as=read_as, invented=invented)
    except BaseException:
        draft.abandon()
        raise
    how = "grown" if into else "new"
    said = f"{len(files)} files added to {known}" if into else f"brought in as {known}: {len(files)} files"
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
    cases = [case for place in places for case in ([place] if place.is_file() else case_folders(place))]
    for case in cases:
        yield len(cases), bring_in(library, case, who=who, agency=agency, given=given)
