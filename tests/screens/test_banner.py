"""The agency's own line stands at the head of every page of the app, for everybody, as plain text; without one there is nothing."""

import pytest
from streamlit.testing.v1.element_tree import Block

from qi.desk import samples
from tests.screens.acting import to_page
from tests.screens.conftest import Shelf
from tests.screens.test_roles import PAGES, app, claims

BANNER = "Peer review <b>confidential</b> :red[under a law] that we *invented*, $x$ `code` [a](http://b)"
NOBODY = {"is_logged_in": False}


@pytest.fixture
def with_banner(place, monkeypatch, tmp_path):
    """A library with a banner and nothing else in it."""
    monkeypatch.setattr(samples, "FOLDER", tmp_path / "none")
    place.mkdir()
    (place / "library.toml").write_text(f'[agency]\nbanner = "{BANNER}"\n', encoding="utf-8")
    shelf = Shelf(place)
    yield shelf
    shelf.library.close()


def page(name, user):
    """A page of the app as a user opens it; None for the one person of this machine."""
    opened = app(user or {})
    if user is None:
        del opened.secrets["auth"]
    opened.run()
    return opened if name == PAGES[0][0] else to_page(opened, name)


def first(opened):
    """Kind and words of what stands first on the page."""
    one = next(one for one in opened.main if not isinstance(one, Block))
    return one.type, one.value


@pytest.mark.parametrize("name", [name for name, _ in PAGES])
def test_each_page_begins_with_it(with_banner, name):
    opened = page(name, None)
    assert not opened.exception
    assert first(opened) == ("text", BANNER)
    assert [one.value for one in opened.main if one.type == "text"].count(BANNER) == 1


@pytest.mark.parametrize("name", [name for name, _ in PAGES])
def test_whoever_has_not_signed_in_sees_it_on_each_page(with_banner, name):
    assert first(page(name, NOBODY)) == ("text", BANNER)


def test_a_page_that_is_refused_has_it_too(with_banner):
    if not with_banner.library.people.all():
        with_banner.library.people.add("j.weller@example.org", name="J. Weller", roles=["crew"], crew_ids=["C-17"], who="tests")
    opened = page("worklist", claims("crew"))
    assert first(to_page(opened, "people")) == ("text", BANNER)
    assert "Not for this account" in [one.value for one in opened.header]


@pytest.mark.parametrize("settings", ["", '[agency]\nbanner = ""\n', '[agency]\nbanner = "  "\n'])
def test_without_one_nothing_is_shown(place, monkeypatch, tmp_path, settings):
    monkeypatch.setattr(samples, "FOLDER", tmp_path / "none")
    place.mkdir()
    (place / "library.toml").write_text(settings, encoding="utf-8")
    for name, _ in PAGES:
        opened = page(name, None)
        assert not [one for one in opened.main if one.type == "text"]
        assert first(opened)[0] in ("header", "subheader", "caption", "markdown", "title")


def test_it_stands_over_a_page_that_says_why_the_library_cannot_be_opened(with_banner, monkeypatch):
    monkeypatch.setenv("QI_DATABASE", "sqlite:////proc/nowhere/reviews.sqlite")
    opened = page("worklist", None)
    assert first(opened) == ("text", BANNER)
    assert opened.error


def test_settings_that_cannot_be_read_are_said_by_the_page(place):
    place.mkdir()
    (place / "library.toml").write_text("[agency", encoding="utf-8")
    assert not page("worklist", None).exception
