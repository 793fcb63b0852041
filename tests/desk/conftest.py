"""A library of the test's own, and the sample cases."""

from pathlib import Path

import pytest

from qi.desk.bring_in import bring_in
from qi.library.library import Library

SAMPLES = Path(__file__).parents[2] / "sample_cases"
AGENCY = "Rillstone Valley EMS"


@pytest.fixture
def library(tmp_path, monkeypatch):
    """An empty library in which the lot draws no case for a second reading."""
    monkeypatch.delenv("QI_DATABASE", raising=False)
    folder = tmp_path / "library"
    folder.mkdir()
    (folder / "library.toml").write_text("[second_reading]\nshare = 0\n", encoding="utf-8")
    with Library.open(folder) as opened:
        yield opened


@pytest.fixture
def good(library):
    """Key of a sample case in that library."""
    done = bring_in(library, SAMPLES / "rv-2031-0107", who="tester", agency=AGENCY)
    assert done.key, done.said
    return done.key
