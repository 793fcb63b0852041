"""From page to page by Streamlit's list: the case and the reading stay, as the address of the page that is opened says."""

from importlib import import_module
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from tests.screens.acting import to_page

APP = str(Path(__file__).parents[2] / "app.py")


def opened(page, **query):
    """The app on one of its pages, by an address."""
    app = AppTest.from_file(APP, default_timeout=60).run()
    return by_address(app, page, **query)


def by_address(app, page, **query):
    """Another page of it, with this after the question mark."""
    app.query_params.clear()
    for name, value in query.items():
        app.query_params[name] = value
    return to_page(app, page)


def by_the_list(app, page):
    """Another page of it by the list of pages, as a browser does it: nothing stays after the question mark."""
    return by_address(app, page)


def asked(app, name):
    """What the address says under that name; empty where it says nothing."""
    found = app.query_params.get(name, "")
    return found if isinstance(found, str) else found[0]


@pytest.fixture
def another(shelf):
    """Key of a case that the choice in the sidebar does not begin with."""
    return shelf.library.entries()[-1].key


@pytest.mark.parametrize("page", ["walkthrough", "clocks", "for-the-crew"])
def test_the_case_stays_from_page_to_page(another, page):
    app = by_the_list(opened("walkthrough", case=another), page)
    assert asked(app, "case") == another
    assert next(box.value for box in app.selectbox if box.label == "Case") == another
    assert not app.exception


def test_the_case_stays_over_a_page_that_is_about_none(another):
    app = by_the_list(opened("clocks", case=another), "protocol")
    assert asked(app, "case") == ""
    assert asked(by_the_list(app, "walkthrough"), "case") == another


@pytest.mark.parametrize("page", ["clocks", "walkthrough"])
def test_the_reading_stays_with_its_case(another, page):
    app = by_the_list(opened("walkthrough", case=another, reading="2"), page)
    assert (asked(app, "case"), asked(app, "reading")) == (another, "2")


def test_the_second_reading_is_still_shown_as_one(another):
    app = by_the_list(by_the_list(opened("walkthrough", case=another, reading="2"), "protocol"), "walkthrough")
    assert any("second reading" in badge.value for badge in app.markdown)
    app = by_the_list(opened("walkthrough", case=another), "walkthrough")
    assert not any("second reading" in badge.value for badge in app.markdown)


@pytest.mark.parametrize("over", ["clocks", "walkthrough"])
def test_a_page_that_was_left_before_it_stood_forgets_nothing(another, over, monkeypatch):
    """A click in the list of pages breaks the run of the page before off, wherever it is, and the next begins without a case."""
    app = opened("walkthrough", case=another, reading="2")
    with monkeypatch.context() as broken_off:
        broken_off.setattr(import_module(f"qi.screens.{over}"), "show", st.stop)
        app = by_the_list(app, over)
    for page in ("protocol", "walkthrough"):
        app = by_the_list(app, page)
    assert (asked(app, "case"), asked(app, "reading")) == (another, "2")
    assert next(box.value for box in app.selectbox if box.label == "Case") == another


def test_another_case_chosen_is_the_one_that_stays_and_has_no_second_reading(shelf, another):
    app = opened("walkthrough", case=another, reading="2")
    other = next(key for key in (entry.key for entry in shelf.library.entries()) if key != another)
    next(box for box in app.selectbox if box.label == "Case").set_value(other).run()
    app = by_the_list(app, "clocks")
    assert (asked(app, "case"), asked(app, "reading")) == (other, "")


def test_an_address_with_a_case_counts_before_the_case_of_before(shelf, another):
    app = opened("walkthrough", case=another)
    other = next(key for key in (entry.key for entry in shelf.library.entries()) if key != another)
    assert asked(by_address(app, "clocks", case=other), "case") == other


def test_a_case_that_was_deleted_meanwhile_is_not_put_back(own, place):
    app = opened("walkthrough", case=own.library.keys()[0])
    app.session_state["case-of-address"] = "gone00000000"
    app = by_the_list(app, "walkthrough")
    assert asked(app, "case") == own.library.keys()[0]
    assert not app.error


def test_the_case_goes_on_the_wall_of_a_conference_unless_others_hang_there(shelf, another):
    app = by_the_list(opened("walkthrough", case=another), "conference")
    assert asked(app, "cases") == another
    other = next(key for key in (entry.key for entry in shelf.library.entries()) if key != another)
    app = by_the_list(by_address(app, "walkthrough", case=other), "conference")
    assert asked(app, "cases") == another


def test_the_name_of_the_first_page_leads_to_it(shelf):
    app = opened("worklist")
    assert [header.value for header in app.header] == ["Worklist"]
    assert not app.exception
    assert [page["url_pathname"] for page in app._registered_pages.values()].count("worklist") == 1
