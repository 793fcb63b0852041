"""The app in a real browser: it shows the numbers that the command line prints, and asks no other host for anything."""

import json
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlparse

import pytest

from qi.model.words import amount
from tests.browser.served import served

ROOT = Path(__file__).parents[2]
CASE = "rv-2031-0112"


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    place = tmp_path_factory.mktemp("app")
    (place / ".streamlit").mkdir()
    (place / ".streamlit" / "config.toml").write_bytes((ROOT / ".streamlit" / "config.toml").read_bytes())
    with served(ROOT / "app.py", place) as url:
        yield url


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
        self.context = browser.new_context(viewport={"width": width, "height": 1000}, color_scheme=scheme, reduced_motion="reduce")
        self.page = self.context.new_page()
        self.complaints, self.hosts = [], set()
        self.page.on("console", lambda message: message.type == "error" and self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.hosts.add(urlparse(request.url).hostname))
        self.page.goto(f"{address}/?{query}")
        self.page.wait_for_selector(".close-up[data-ready]", timeout=30_000)
        self.page.wait_for_selector("text=What was read", timeout=30_000)

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


def test_the_page_shows_what_the_command_line_prints(browser, address, printed):
    with Walkthrough(browser, address, f"case={CASE}") as shown:
        text = plain(shown.text)
        for id_ in ("compression_fraction", "released_fraction"):
            assert plain(amount(printed[id_]["value"], "1")) in text
        assert f"The longest pause was {printed['longest_pause_s']['value']:.0f} s" in text
        assert f"{printed['compression_depth_mm']['value']:.0f} mm deep" in text
        assert f"{printed['pauses_over_limit']['value']:.0f} pauses were longer" in text
        assert "quality improvement only" in text


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (800, "dark")])
def test_no_complaint_no_other_host_and_nothing_wider_than_the_page(browser, address, width, scheme):
    with Walkthrough(browser, address, f"case={CASE}", width=width, scheme=scheme) as shown:
        assert shown.complaints == []
        assert shown.hosts <= {"127.0.0.1", None, ""}
        assert shown.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_an_address_leads_to_the_same_case_and_moment(browser, address):
    with Walkthrough(browser, address, "case=rv-2031-0107&t=300.0") as shown:
        assert "rv-2031-0107" in shown.text
        range_ = shown.page.locator(".close-up .range").first.inner_text()
        assert "case=rv-2031-0107" in shown.page.url
        assert range_.startswith(("4:", "3:"))


def test_choosing_a_measure_says_why(browser, address, printed):
    with Walkthrough(browser, address, f"case={CASE}") as shown:
        table = shown.page.locator(".st-key-held-rv-2031-0112-What-matters-most canvas").first
        table.scroll_into_view_if_needed()
        box = table.bounding_box()
        shown.page.mouse.click(box["x"] + 18, box["y"] + 38 + 17)
        shown.page.wait_for_selector("text=defined by: Wik", timeout=10_000)
        assert printed["compression_fraction"]["method"].split(";")[0] in plain(shown.text)
