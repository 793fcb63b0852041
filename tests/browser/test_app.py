"""The app in a real browser: it shows the numbers that the command line prints, and asks no other host for anything."""

import json
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import urlparse

import pytest

from qi.desk import samples, sheets
from qi.library.library import Library
from qi.model.words import amount
from tests.browser.conftest import fresh
from tests.browser.served import served
from tests.screens.test_for_the_crew import sign

ROOT = Path(__file__).parents[2]
CASE = "rv-2031-0112"


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    place = tmp_path_factory.mktemp("app")
    (place / ".streamlit").mkdir()
    (place / ".streamlit" / "config.toml").write_bytes((ROOT / ".streamlit" / "config.toml").read_bytes())
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QI_LIBRARY", str(place / "library"))
        with served(ROOT / "app.py", place) as url:
            yield url


@pytest.fixture(scope="module")
def library(address, tmp_path_factory):
    """The library that the app serves, with the sample cases in it."""
    with Library.open(Path(os.environ["QI_LIBRARY"])) as opened:
        samples.bring_in_where_empty(opened)
        yield opened


@pytest.fixture(scope="module")
def keys(library):
    """Key of each sample case by its number."""
    return {entry.case_id: entry.key for entry in library.entries()}


@pytest.fixture(scope="module")
def printed(tmp_path_factory):
    """What the command line says of the case, by measure."""
    target = tmp_path_factory.mktemp("json") / "m.json"
    call = [sys.executable, "-m", "qi", "measure", f"sample_cases/{CASE}", "--json", str(target)]
    subprocess.run(call, cwd=ROOT, check=True, capture_output=True)
    (case,) = json.loads(target.read_text(encoding="utf-8"))["cases"]
    plain = [measure for measure in case["measures"] if "of" not in measure and "from" not in measure]
    return {measure["id"]: measure for measure in plain}


class Walkthrough:
    """The walkthrough of one case in a fresh tab, with what it complained of and whom it asked."""

    def __init__(self, browser, address, query, *, width=1440, scheme="light"):
        self.context = fresh(browser, viewport={"width": width, "height": 1000}, color_scheme=scheme)
        self.page = self.context.new_page()
        self.complaints, self.hosts = [], set()
        self.page.on("console", lambda message: message.type == "error" and self._complain(message))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.hosts.add(urlparse(request.url).hostname))
        self.page.goto(f"{address}/walkthrough?{query}")
        self.page.wait_for_selector(".close-up[data-ready]")
        self.page.wait_for_selector("text=What was read")
        self.page.wait_for_selector("text=quality improvement only")  # the last of the page

    def _complain(self, message):
        # Streamlit looks for its own two addresses under the page's address first, and then finds them at the root
        if not message.location["url"].endswith(("/walkthrough/_stcore/health", "/walkthrough/_stcore/host-config")):
            self.complaints.append(message.text)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()

    @property
    def text(self):
        return self.page.locator("[data-testid=stMain]").inner_text()


def plain(text):
    """Text with every kind of white space as one blank."""
    return " ".join(text.split())


def test_the_page_shows_what_the_command_line_prints(browser, address, keys, printed):
    with Walkthrough(browser, address, f"case={keys[CASE]}") as shown:
        text = plain(shown.text)
        for id_ in ("compression_fraction", "released_fraction"):
            assert plain(amount(printed[id_]["value"], "1")) in text
        assert f"The longest pause was {printed['longest_pause_s']['value']:.0f} s" in text
        assert f"{printed['compression_depth_mm']['value']:.0f} mm deep" in text
        assert f"{printed['pauses_over_limit']['value']:.0f} pauses were longer" in text
        assert "quality improvement only" in text


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (800, "dark")])
def test_no_complaint_no_other_host_and_nothing_wider_than_the_page(browser, address, keys, width, scheme):
    with Walkthrough(browser, address, f"case={keys[CASE]}", width=width, scheme=scheme) as shown:
        assert shown.complaints == []
        assert shown.hosts <= {"127.0.0.1", None, ""}
        assert shown.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_an_address_leads_to_the_same_case_and_moment(browser, address, keys):
    with Walkthrough(browser, address, f"case={keys['rv-2031-0107']}&t=300.0") as shown:
        assert "rv-2031-0107" in shown.text
        range_ = shown.page.locator(".close-up .range").first.inner_text()
        assert f"case={keys['rv-2031-0107']}" in shown.page.url
        assert range_.startswith(("4:", "3:"))


def test_a_measure_in_the_address_opens_its_moment_with_its_row_chosen(browser, address, keys):
    """The longest pause around a shock of this case began 4:06 after the first compression (tests.desk.test_came_from)."""
    with Walkthrough(browser, address, f"case={keys['rv-2031-0107']}&measure=longest_shock_pause_s") as shown:
        assert "t=270.8" in shown.page.url
        assert shown.page.locator(".close-up .range").first.inner_text().startswith(("4:", "3:"))
        assert "Opened for Longest pause with a shock: " in plain(shown.text)
        assert "Marked on the picture at 4:07." in plain(shown.text)


def test_choosing_a_measure_says_why(browser, address, keys, printed):
    with Walkthrough(browser, address, f"case={keys[CASE]}") as shown:
        table = shown.page.locator(f".st-key-held-{CASE}-What-matters-most canvas").first
        table.scroll_into_view_if_needed()
        box = table.bounding_box()
        shown.page.mouse.click(box["x"] + 18, box["y"] + 38 + 17)
        shown.page.wait_for_selector("text=defined by: Wik")
        assert printed["compression_fraction"]["method"].split(";")[0] in plain(shown.text)


def test_a_stretch_selected_on_the_waveform_becomes_a_pause_and_the_measures_follow(browser, address, keys, library):
    key = keys["rv-2031-0131"]
    with Walkthrough(browser, address, f"case={key}") as shown:
        page = shown.page
        before = plain(shown.text)
        plot = page.locator(".close-up .plot")
        plot.scroll_into_view_if_needed()
        box = plot.bounding_box()
        page.keyboard.down("Shift")
        page.mouse.move(box["x"] + 300, box["y"] + 110)
        page.mouse.down()
        page.mouse.move(box["x"] + 800, box["y"] + 110, steps=6)
        page.mouse.up()
        page.keyboard.up("Shift")
        page.get_by_role("button", name="Write the correction").click()
        page.wait_for_selector("text=Undo line 1")
        page.wait_for_function("before => !document.body.innerText.includes(before)", arg=_longest(before))
        (line,) = library.lines(key)
        assert (line.kind, line.body["action"], line.body["subject"]) == ("correction", "add", "pause")
        assert line.body["end_s"] - line.body["start_s"] > 10
        assert line.body["why"]
        page.get_by_role("button", name="Undo line 1").click()
        page.wait_for_function("before => document.body.innerText.includes(before)", arg=_longest(before))
        assert [one.kind for one in library.lines(key)] == ["correction", "undo"]
        assert shown.complaints == []


def _longest(text):
    """The part of the words that says the longest pause."""
    start = text.index("The longest pause was")
    return text[start : text.index(" s", start) + 2]


def test_keys_write_corrections_one_by_one(browser, address, keys, library):
    key = keys["rv-2031-0118"]
    with Walkthrough(browser, address, f"case={key}") as shown:
        page = shown.page
        plot = page.locator(".close-up .plot")
        plot.scroll_into_view_if_needed()
        plot.click(position={"x": 500, "y": 60})
        page.keyboard.press("s")
        page.wait_for_selector("text=Undo line 1")
        page.keyboard.press("u")
        page.wait_for_function("() => !document.body.innerText.includes('Undo line 1')")
        kinds = [(line.kind, line.body.get("subject")) for line in library.lines(key)]
        assert kinds == [("correction", "shock"), ("undo", None)]


def test_next_goes_to_a_pause_and_the_address_says_where(browser, address, keys):
    with Walkthrough(browser, address, f"case={keys[CASE]}") as shown:
        shown.page.get_by_role("button", name="Next").first.click()
        shown.page.wait_for_function("() => location.search.includes('t=')")
        shown.page.reload()
        shown.page.wait_for_selector(".close-up[data-ready]")
        assert "t=" in shown.page.url


def test_words_typed_for_the_crew_of_one_case_are_not_kept_on_another(browser, address, keys, library):
    one, other = "rv-2031-0107", "rv-2031-0125"
    for case in (one, other):
        sign(SimpleNamespace(library=library, key=keys.get), case)
    context = fresh(browser, viewport={"width": 1440, "height": 1000})
    page = context.new_page()
    page.goto(f"{address}/for-the-crew?case={keys[one]}")
    page.wait_for_selector("text=quality improvement only")
    page.get_by_text("Change the words").click()
    page.get_by_role("textbox", name="Recoil of the chest").fill("Words of the first case.")
    page.get_by_role("combobox", name="Case").fill(other)
    page.keyboard.press("Enter")
    page.wait_for_url(f"**case={keys[other]}**")
    page.get_by_text(f"Case {other};").wait_for()
    if not page.get_by_role("button", name="Keep these words").is_visible():
        page.get_by_text("Change the words").click()
    page.get_by_role("button", name="Keep these words").click()
    page.get_by_role("button", name="Write it afresh from the case").wait_for()
    (kept,) = library.sheets(keys[other])
    assert sheets.read(kept) == sheets.sheet_of(library, keys[other])
    assert library.sheets(keys[one]) == []
    context.close()
