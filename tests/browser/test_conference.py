"""Conference in a real browser: neither the page nor anything the server sent for it names a case; large letters; sidebar away."""

import base64
import re
from urllib.parse import urlparse

import pytest

from qi.desk import samples
from qi.desk.opened import open_case
from qi.library.library import Library
from tests.browser.conftest import fresh
from tests.browser.served import served
from tests.browser.test_app import ROOT

BANNER = "Peer review, confidential under a law that we invented"
PACKED = re.compile(r"base64,([A-Za-z0-9+/=]+)")
PARTS = ("Words", "Measures", "Pauses", "Questions")


@pytest.fixture(scope="module")
def wall(tmp_path_factory):
    """Address of the app, and its library with the sample cases and a banner."""
    place = tmp_path_factory.mktemp("wall")
    (place / ".streamlit").mkdir()
    (place / ".streamlit" / "config.toml").write_bytes((ROOT / ".streamlit" / "config.toml").read_bytes())
    folder = place / "library"
    folder.mkdir()
    (folder / "library.toml").write_text(f'[agency]\nbanner = "{BANNER}"\n', encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch, Library.open(folder) as library:
        patch.setenv("QI_LIBRARY", str(folder))
        patch.delenv("QI_DATABASE", raising=False)
        samples.bring_in_where_empty(library)
        with served(ROOT / "app.py", place) as url:
            yield url, library


class Wall:
    """The page in a fresh tab, with all that came to the browser."""

    def __init__(self, browser, address, *, width=1920, scheme="light"):
        self.context = fresh(browser, viewport={"width": width, "height": 1080}, color_scheme=scheme)
        self.page = self.context.new_page()
        self.frames, self.hosts = [], set()
        self.page.on("request", lambda request: self.hosts.add(urlparse(request.url).hostname))
        self.page.on("websocket", lambda socket: socket.on("framereceived", self._keep))
        self.page.goto(address)
        self.page.wait_for_selector(".for-a-room img, [data-testid=stAlert]")

    def _keep(self, frame):
        self.frames.append(frame if isinstance(frame, str) else frame.decode("utf-8", errors="replace"))

    def show_all(self):
        """Press each part, and wait for what it brings."""
        for part, head in zip(PARTS, ("What happened", "The main measures", "Pauses by cause", "To talk about"), strict=True):
            self.page.get_by_role("button", name=part, exact=True).click()
            wanted = f".for-a-room h3:has-text('{head}')" if part != "Words" else ".for-a-room p"
            self.page.wait_for_selector(wanted)

    @property
    def came(self):
        """The page as it stands, its title and address, and every answer of the server, pictures unpacked."""
        text = "\n".join([self.page.content(), self.page.title(), self.page.url, *self.frames])
        return "\n".join([PACKED.sub("", text), *(base64.b64decode(one).decode() for one in PACKED.findall(text))])

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()


def numbered(library, count):
    return sorted(library.entries(), key=lambda entry: entry.case_id)[:count]


def names_of(library, entry):
    """Whatever names a sample case: number, crew, unit, station, day and time of day, files."""
    case = open_case(library, entry.key).case
    facts, start = case.facts, case.start
    found = [case.id, *facts.members, facts.unit, f"station {facts.station}", *(source.file for source in case.sources)]
    return [one for one in [*found, f"{start:%d %b %Y}", f"{start:%Y-%m-%d}", f"{start:%H:%M}"] if one]


def test_nothing_that_came_to_the_browser_names_a_case(browser, wall):
    address, library = wall
    entries = numbered(library, 3)
    with Wall(browser, f"{address}/conference?cases={','.join(entry.key for entry in entries)}") as shown:
        shown.show_all()
        came = shown.came
        assert len(shown.frames) > 5
        assert "The main measures" in came
        assert "minutes from the first compression" in came
        for entry in entries:
            assert not [one for one in names_of(library, entry) if one.casefold() in came.casefold()]
        shown.page.locator("[data-testid=stMain]").get_by_text(BANNER).first.wait_for()
        assert shown.hosts == {"127.0.0.1"}


@pytest.mark.parametrize(("width", "scheme"), [(1920, "dark"), (1440, "light"), (800, "dark")])
def test_letters_are_large_and_nothing_is_wider_than_the_window(browser, wall, width, scheme):
    address, library = wall
    with Wall(browser, f"{address}/conference?cases={numbered(library, 1)[0].key}", width=width, scheme=scheme) as shown:
        shown.show_all()
        size = "element => parseFloat(getComputedStyle(element).fontSize)"
        for kind in ("p", "td", "li", "th"):
            letters = shown.page.locator(f".for-a-room {kind}").first.evaluate(size)
            assert letters >= (28 if width == 1920 else 20 if width == 1440 else 15)
        main = shown.page.locator("[data-testid=stMain]")
        assert main.evaluate("element => element.scrollWidth <= element.clientWidth + 1")
        picture = shown.page.locator(".for-a-room img").first.bounding_box()
        assert picture["width"] * 8.5 / 560 >= (20 if width == 1920 else 10)  # the smallest letters of the picture [px]


def test_nothing_is_left_of_the_page_before_and_the_sidebar_goes_away(browser, wall):
    address, library = wall
    entry = numbered(library, 1)[0]
    with Wall(browser, f"{address}/conference?cases={entry.key}") as shown:
        shown.page.wait_for_selector("[data-testid=stSidebar][data-collapsed=true]", state="attached")
        shown.page.goto(f"{address}/walkthrough?case={entry.key}")
        shown.page.get_by_text("Show masked, for teaching").click()
        shown.page.wait_for_selector(".for-a-room img")
        shown.page.wait_for_selector("[data-testid=stSidebar][data-collapsed=true]", state="attached")
        shown.page.wait_for_function(f"!document.documentElement.innerHTML.includes('{entry.case_id}')")
        left = shown.page.content()
        assert not [one for one in names_of(library, entry) if one.casefold() in left.casefold()]
        assert shown.page.url.endswith(f"/conference?cases={entry.key}")
