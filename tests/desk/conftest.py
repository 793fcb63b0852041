"""A library of the test's own, and the sample cases."""

import shutil
from pathlib import Path

import pytest

from qi.desk.bring_in import bring_in
from qi.library.library import Library

SAMPLES = Path(__file__).parents[2] / "sample_cases"
AGENCY = "Rillstone Valley EMS"


WITHOUT_LOT = "[second_reading]\nshare = 0\n"  # no case is drawn for a second reading


@pytest.fixture(scope="session")
def good_made(tmp_path_factory):
    """Folder of a library with a sample case, closed again, to be copied; and the key of the case."""
    folder = tmp_path_factory.mktemp("good") / "made"
    folder.mkdir()
    (folder / "library.toml").write_text(WITHOUT_LOT, encoding="utf-8")
    with Library.open(folder) as opened:
        done = bring_in(opened, SAMPLES / "rv-2031-0107", who="tester", agency=AGENCY)
    assert done.key, done.said
    return folder, done.key


@pytest.fixture
def library(request, tmp_path, monkeypatch):
    """A library in which the lot draws no case; empty, where the test does not ask for the one good case."""
    monkeypatch.delenv("QI_DATABASE", raising=False)
    folder = tmp_path / "library"
    if "good" in request.fixturenames:
        shutil.copytree(request.getfixturevalue("good_made")[0], folder)
    else:
        folder.mkdir()
        (folder / "library.toml").write_text(WITHOUT_LOT, encoding="utf-8")
    with Library.open(folder) as opened:
        yield opened


@pytest.fixture
def good(library, good_made):
    """Key of a sample case in that library."""
    return good_made[1]
