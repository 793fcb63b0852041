"""A library with the invented sample cases for the screens, and each screen opened alone on a case of it."""

import shutil
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from qi.desk import samples
from qi.desk.bring_in import bring_in
from qi.library.library import Library

SAMPLES = Path(__file__).parents[2] / "sample_cases"


class Shelf:
    """A library in a folder, and its screens."""

    def __init__(self, folder):
        self.folder = folder
        self.library = Library.open(folder)

    def key(self, case_id):
        """Key of the case of that number."""
        return next(entry.key for entry in self.library.entries() if entry.case_id == case_id)

    def bring(self, path, agency="Rillstone Valley EMS"):
        """Bring one case in and give its key."""
        done = bring_in(self.library, path, who="tester", agency=agency)
        assert done.key, done.said
        return done.key

    def lines(self, case_id):
        """Journal of the case of that number."""
        return self.library.lines(self.key(case_id))

    def opened(self, screen, case=None, **query):
        """A screen alone, on a case by number, as AppTest opens it."""
        app = AppTest.from_string(f"from qi.screens import {screen}\n{screen}.show()\n", default_timeout=60)
        if case:
            app.query_params["case"] = self.key(case)
        for name, value in query.items():
            app.query_params[name] = value
        return app.run()


@pytest.fixture
def place(monkeypatch, tmp_path):
    """Where the library of this test lies: a folder that is not there yet."""
    folder = tmp_path / "library"
    monkeypatch.setenv("QI_LIBRARY", str(folder))
    monkeypatch.delenv("QI_DATABASE", raising=False)
    monkeypatch.setenv("QI_REVIEWER", "tester")
    return folder


def made(folder, fill):
    """A library that is closed again, to be copied: its cases were brought in without a lot drawn for second readings."""
    settings = folder / "library.toml"
    folder.mkdir()
    settings.write_text("[second_reading]\nshare = 0\n", encoding="utf-8")
    with Library.open(folder) as library:
        fill(library)
    settings.unlink()
    return folder


@pytest.fixture(scope="session")
def full_made(tmp_path_factory):
    """Folder of a library with the sample cases."""
    return made(tmp_path_factory.mktemp("full") / "made", samples.bring_in_where_empty)


@pytest.fixture(scope="session")
def own_made(tmp_path_factory):
    """Folder of a library with one sample case."""

    def fill(library):
        done = bring_in(library, SAMPLES / "rv-2031-0107", who="tester", agency="Rillstone Valley EMS")
        assert done.key, done.said

    return made(tmp_path_factory.mktemp("own") / "made", fill)


@pytest.fixture(scope="module")
def full(full_made, tmp_path_factory):
    """A library with the sample cases, for tests that write nothing in it."""
    shelf = Shelf(shutil.copytree(full_made, tmp_path_factory.mktemp("full") / "library"))
    yield shelf
    shelf.library.close()


@pytest.fixture
def shelf(full, place, monkeypatch):
    """The sample cases, to be read only."""
    monkeypatch.setenv("QI_LIBRARY", str(full.folder))
    return full


@pytest.fixture
def own(place, own_made):
    """A library of the test's own, with one sample case, to be written in."""
    one = Shelf(shutil.copytree(own_made, place))
    yield one
    one.library.close()


def words(app):
    """All that a screen says outside of tables."""
    return " ".join(element.value for kind in (app.markdown, app.caption, app.error, app.info, app.header) for element in kind)
