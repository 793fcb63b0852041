"""Caches that hold cases: each is on the list, and all are emptied once anything was deleted, on a page or by another program."""

import importlib
from pathlib import Path

import pytest
from streamlit.runtime.caching.cache_utils import CachedFunc

from qi.desk.opened import clock_settings
from qi.library.library import Library
from qi.model.errors import NoSuchCase
from qi.screens import caches, on_desk
from tests.screens.acting import named
from tests.screens.test_keeping import CASE, deleting

SCREENS = Path(__file__).parents[2] / "qi" / "screens"


class Cached:
    """Counts how often it was emptied."""

    def __init__(self):
        self.times = 0

    def clear(self):
        self.times += 1


@pytest.fixture
def cached(monkeypatch):
    one = Cached()
    monkeypatch.setattr(caches, "_all", [*caches._all, one])
    monkeypatch.setattr(caches, "_seen", {})
    return one


def test_every_cache_of_the_screens_is_on_the_list():
    modules = [importlib.import_module(f"qi.screens.{path.stem}") for path in SCREENS.glob("*.py") if path.stem != "__init__"]
    found = {id(one): one for module in modules for one in vars(module).values() if isinstance(one, CachedFunc)}
    library = id(on_desk._library)
    assert library in found
    assert found.keys() - {library} == {id(one) for one in caches._all}


def test_a_case_deleted_on_a_page_is_let_go_of_at_once(own, cached):
    app = deleting(own)
    named(app.text_input, "delete-confirmed").set_value(CASE).run()
    assert cached.times == 0
    named(app.button, "delete").click().run()
    assert not app.exception
    assert own.library.keys() == []
    assert cached.times == 1


def test_a_case_deleted_by_another_program_is_let_go_of_at_the_next_run_of_any_page(own, cached):
    page = own.opened("protocol_page")
    page.run()
    assert cached.times == 0
    with Library.open(own.folder) as other:
        other.remove(own.key(CASE), who="tests")
    page.run()
    assert cached.times == 1
    page.run()
    assert cached.times == 1


def test_what_is_kept_of_a_deleted_case_is_none_of_it(own):
    page, lines = own.opened("walkthrough", CASE), tuple(own.lines(CASE))
    asked = (str(own.folder.resolve()), own.key(CASE), clock_settings(lines), on_desk._files(lines), own.library)
    kept = on_desk._opened(*asked)
    assert on_desk._opened(*asked) is kept
    own.library.remove(own.key(CASE), who="tests")
    page.run()
    assert not page.exception
    with pytest.raises(NoSuchCase):
        on_desk._opened(*asked)
