"""How a case opens in a browser: its scripts are asked for early and once, charts follow when it is drawn; from page to page."""

import re
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import expect

from qi.desk import samples
from qi.library.library import Library
from qi.screens import waveform
from tests.browser.conftest import fresh
from tests.browser.served import served

ROOT = Path(__file__).parents[2]
SENT = """
window.told = [];
const everywhere = (root, found) => [...root.querySelectorAll('*')].some(
  (one) => one.matches(found) || (one.shadowRoot && everywhere(one.shadowRoot, found)));
const send = WebSocket.prototype.send;
WebSocket.prototype.send = function (bytes) {
  if (bytes instanceof Uint8Array && new TextDecoder('latin1').decode(bytes).includes('"drawn"')) {
    window.told.push(['.picture', '.close-up'].map((view) => everywhere(document, `${view}[data-ready]`)));
  }
  return send.call(this, bytes);
};
"""


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    """Address of the app, and the keys of its sample cases by number."""
    place = tmp_path_factory.mktemp("app")
    (place / ".streamlit").mkdir()
    (place / ".streamlit" / "config.toml").write_bytes((ROOT / ".streamlit" / "config.toml").read_bytes())
    with pytest.MonkeyPatch.context() as patch, Library.open(place / "library") as library:
        samples.bring_in_where_empty(library)
        patch.setenv("QI_LIBRARY", str(place / "library"))
        with served(ROOT / "app.py", place) as url:
            yield url, {entry.case_id: entry.key for entry in library.entries()}


@pytest.fixture
def tabs(browser):
    with fresh(browser, viewport={"width": 1440, "height": 1000}) as context:
        yield context


def walkthrough(tabs, address):
    """The walkthrough in a new tab, when picture and close-up are drawn, and the paths that it asked for in order."""
    page, paths = tabs.new_page(), []
    page.on("request", lambda request: paths.append(urlsplit(request.url).path.lstrip("/")))
    page.goto(address)
    for view in (".picture", ".close-up"):
        page.wait_for_selector(f"{view}[data-ready]")
    return page, paths


def test_the_scripts_of_the_case_are_asked_for_before_streamlit_asks_its_server_and_only_once(app, tabs):
    url, keys = app
    address = f"{url}/walkthrough?case={keys['rv-2031-0112']}"
    walkthrough(tabs, address)[0].close()
    _, paths = walkthrough(tabs, address)
    scripts = waveform.scripts()
    assert sorted(path for path in paths if "/bidi-components/" in path) == sorted(scripts)
    assert max(paths.index(path) for path in scripts) < paths.index("_stcore/host-config")


def test_the_server_is_told_that_the_case_is_drawn_once_when_both_views_are(app, tabs):
    url, keys = app
    tabs.add_init_script(SENT)
    page, _ = walkthrough(tabs, f"{url}/walkthrough?case={keys['rv-2031-0112']}")
    page.locator(".stPlotlyChart").first.wait_for()
    page.wait_for_function("window.told.length")
    assert page.evaluate("window.told") == [[True, True]]


def test_the_worklist_stands_under_its_name(app, tabs):
    page = tabs.new_page()
    page.goto(f"{app[0]}/worklist")
    expect(page.get_by_role("heading", name="Worklist")).to_be_visible()
    expect(page).to_have_url(re.compile(rf"^{re.escape(app[0])}/?$"))
    assert "Page not found" not in page.inner_text("body")


def test_the_case_and_its_reading_stay_from_page_to_page(app, tabs):
    url, keys = app
    page, _ = walkthrough(tabs, f"{url}/walkthrough?case={keys['rv-2031-0112']}&reading=2")
    for name, address in (("Clocks", "clocks"), ("Protocol", "protocol"), ("Walkthrough", "walkthrough")):
        page.get_by_test_id("stSidebarNav").get_by_role("link", name=name, exact=True).click()
        said = "" if address == "protocol" else rf"\?case={keys['rv-2031-0112']}&reading=2"
        expect(page).to_have_url(re.compile(rf"/{address}{said}$"))
    expect(page.get_by_text("second reading", exact=True)).to_be_visible()
