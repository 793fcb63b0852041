"""A case as files, packed as one download each."""

import io
import json
import tempfile
import zipfile
from pathlib import Path

from qi.desk.opened import clock_settings, open_case, review_of
from qi.exports import case_tables, codebook, edf_plus
from qi.exports import fhir as bundles
from qi.exports import shareable as sharing
from qi.library.library import Library
from qi.model.errors import NoSuchCase
from qi.model.review import Review


def write(library: Library, case_id: str, folder: Path, *, identity: bool, who: str = "the command line") -> list[Path]:
    """Write a case of the library, as its reviewer left it, into a folder; first of all it is logged that somebody does.

    Parameters: library; case_id, the agency's number; folder, made where it is not there; identity, whether with identity (EDF+,
    tables with their codebook, FHIR bundle), else the case to be shared; who, for the log.
    Returns: the files written.
    Raises: NoSuchCase where no case, or more than one, has that number.
    """
    keys = [entry.key for entry in library.entries(search=case_id) if entry.case_id == case_id]
    if len(keys) != 1:
        raise NoSuchCase(f"{'no case' if not keys else f'{len(keys)} cases'} of the number {case_id} in the library")
    what = "edf+, tables, fhir, with identity" if identity else "shared case, without identity"
    library.log("exported", who=who, case=keys[0], what=what)
    lines = library.lines(keys[0])
    review = review_of(open_case(library, keys[0], clock_settings(lines)), lines)
    folder.mkdir(parents=True, exist_ok=True)
    banner = library.settings.banner
    if not identity:
        return [sharing.write(folder, review, banner=banner)]
    edf_plus.write(folder / f"{case_id}.edf", review, identity=True, banner=banner)
    tables_folder = folder / f"{case_id}-tables"
    tables_folder.mkdir(exist_ok=True)
    bundles.write(folder / f"{case_id}-fhir.json", review, banner=banner)
    tables_written = case_tables.write(tables_folder, review, banner=banner)
    tables_written.append(codebook.write(tables_folder, review, banner=banner))
    return [folder / f"{case_id}.edf", folder / f"{case_id}-fhir.json", *tables_written]


def edf(review: Review, *, banner: str = "") -> bytes:
    """The aligned case as EDF+ with our annotations, with identity.

    Parameters: review; banner, the agency's own line.
    """
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "case.edf"
        edf_plus.write(path, review, identity=True, banner=banner)
        return path.read_bytes()


def tables(review: Review, *, banner: str = "") -> bytes:
    """Measures and events as CSV and Parquet with their codebook, in a zip.

    Parameters: see edf.
    """
    with tempfile.TemporaryDirectory() as place:
        case_tables.write(Path(place), review, banner=banner)
        codebook.write(Path(place), review, banner=banner)
        return zipped(Path(place))


def fhir(review: Review, *, banner: str = "") -> bytes:
    """The measures as a FHIR R4 bundle, the patient masked.

    Parameters: see edf.
    """
    return json.dumps(bundles.bundle(review, banner=banner), ensure_ascii=False, indent=1, allow_nan=False).encode()


def shareable(review: Review, *, banner: str = "") -> bytes:
    """The case without identity, in a zip.

    Parameters: see edf.
    """
    with tempfile.TemporaryDirectory() as place:
        sharing.write(Path(place), review, banner=banner)
        return zipped(Path(place))


def zipped(folder: Path) -> bytes:
    """All files of a folder as a zip, in order of name, without the times at which they were made."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                about = zipfile.ZipInfo(path.relative_to(folder).as_posix(), (1980, 1, 1, 0, 0, 0))
                about.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(about, path.read_bytes())
    return held.getvalue()
