"""Both views in a real browser: drawn, zoomed, driven by keys and pointer, heard by Python, asking no other host for anything."""

import re
from pathlib import Path
from urllib.parse import urlparse

import pytest
from streamlit.testing.v1 import AppTest

from tests.browser.served import served

playwright = pytest.importorskip("playwright.sync_api")

HERE = Path(__file__).parent
# What a deployment may send along; anything it forbids is a console error, and so a failed test.
POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "connect-src 'self' ws:; worker-src 'self' blob:; font-src 'self' data:; object-src 'none'"
)
COUNT_COLOURS = """canvas => {
  const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
  const colours = new Set();
  for (let at = 0; at < data.length; at += 4) if (data[at + 3] === 255) colours.add(data.slice(at, at + 3).join());
  return { colours: colours.size, width: canvas.width, css: canvas.getBoundingClientRect().width };
}"""


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """The demonstration app, served on a free port of this machine."""
    with served(HERE / "demo_app.py", tmp_path_factory.mktemp("served")) as url:
        yield url


class Page:
    """The demonstration page with what it complained of and whom it asked."""

    def __init__(self, browser, address, *, width=1440, scheme="light", ratio=1):
        self.context = browser.new_context(
            viewport={"width": width, "height": 1500}, color_scheme=scheme, device_scale_factor=ratio, reduced_motion="reduce"
        )
        self.context.route(f"{address}/", self.with_policy)
        self.page = self.context.new_page()
        self.complaints, self.asked = [], []
        self.page.on("console", lambda message: message.type == "error" and self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(address)
        self.page.wait_for_selector(".picture[data-ready]", timeout=15_000)
        self.page.wait_for_selector(".close-up[data-ready]", timeout=15_000)

    @staticmethod
    def with_policy(route):
        """The page as served, under a strict content security policy."""
        answer = route.fetch()
        route.fulfill(response=answer, headers=answer.headers | {"content-security-policy": POLICY})

    @property
    def close_up(self):
        return self.page.locator(".close-up .plot")

    @property
    def picture(self):
        return self.page.locator(".picture .plot")

    def range_after(self, act):
        """Text of the close-up's range once it has changed by an act."""
        before = self.page.locator(".close-up .range").inner_text()
        act()
        playwright.expect(self.page.locator(".close-up .range")).not_to_have_text(before)
        return self.page.locator(".close-up .range").inner_text()

    def said(self, pattern):
        """Match of a pattern in what Python wrote on the page."""
        line = self.page.get_by_text(re.compile(pattern))
        playwright.expect(line).to_be_visible()
        return re.search(pattern, line.inner_text())


def _open(browser, address, **options):
    """A page to test with; afterwards it must have complained of nothing and asked only this machine."""
    page = Page(browser, address, **options)
    yield page
    assert page.complaints == []
    strangers = {urlparse(url).hostname for url in page.asked if urlparse(url).scheme in ("http", "https", "ws", "wss")}
    assert strangers == {"127.0.0.1"}
    page.context.close()


@pytest.fixture
def shown(browser, address):
    yield from _open(browser, address)


@pytest.fixture(scope="module")
def read(browser, address):
    """One page for the tests that leave it as it is."""
    yield from _open(browser, address)


@pytest.fixture
def small_and_dark(browser, address):
    yield from _open(browser, address, width=800, scheme="dark", ratio=2)


def _seconds(text):
    """Length in the range text, "… (30 s) …" or "… (40 min 0 s) …", in seconds."""
    minutes, seconds = re.search(r"\((?:(\d+) min )?([\d.]+) s\)", text).groups()
    return 60 * int(minutes or 0) + float(seconds)


def test_component_is_declared_anew_to_each_runtime():
    for _ in range(2):
        page = AppTest.from_file(str(HERE / "demo_app.py"), default_timeout=20).run()
        assert not page.exception
        assert "picture moment None" in page.text[0].value


def test_script_is_served_as_files_not_as_inline_text(read):
    scripts = [url for url in read.asked if "/_stcore/bidi-components/qi.waveforms/" in url]
    assert any(url.endswith("/waveforms.js") for url in scripts)
    assert not [url for url in read.asked if url.startswith("blob:")]


def test_wheel_zooms_only_once_the_plot_is_in_use(shown):
    shown.close_up.hover()
    shown.page.mouse.wheel(0, -300)
    shown.page.wait_for_timeout(400)
    assert _seconds(shown.page.locator(".close-up .range").inner_text()) == 30
    shown.close_up.focus()
    assert _seconds(shown.range_after(lambda: shown.page.mouse.wheel(0, -300))) < 20


def test_keys_and_buttons_move_and_zoom(shown):
    shown.close_up.focus()
    press = shown.page.keyboard.press
    assert _seconds(shown.range_after(lambda: press("+"))) == 19
    assert _seconds(shown.range_after(lambda: press("-"))) == 30
    assert shown.range_after(lambda: press("Home")).startswith("−0:4")
    assert shown.range_after(lambda: press("ArrowRight")).startswith("−0:3")
    assert " to 39:1" in shown.range_after(lambda: press("End"))
    whole = shown.page.get_by_role("button", name="Show the whole case")
    assert _seconds(shown.range_after(whole.click)) == 2400
    playwright.expect(whole).to_be_disabled()
    assert _seconds(shown.range_after(shown.page.get_by_role("button", name="Zoom in").click)) == 1500
    assert shown.range_after(shown.page.get_by_role("button", name="Earlier").click)


def test_drag_moves_the_window(shown):
    before = shown.page.locator(".close-up .range").inner_text()
    box = shown.close_up.bounding_box()
    shown.page.mouse.move(box["x"] + 900, box["y"] + 150)
    shown.page.mouse.down()

    def drag():
        shown.page.mouse.move(box["x"] + 500, box["y"] + 150, steps=4)
        shown.page.mouse.up()

    after = shown.range_after(drag)
    assert _seconds(after) == _seconds(before)
    assert after.startswith("0:0") or after.startswith("0:1")


def test_click_on_a_moment_reaches_python_and_the_close_up(shown):
    box = shown.picture.bounding_box()
    text = shown.range_after(lambda: shown.page.mouse.click(box["x"] + 700, box["y"] + 130))
    moment = float(shown.said(r"picture moment ([\d.]+) window None").group(1))
    left, right = 124, box["width"] - 12
    assert moment == pytest.approx((700 - left) / (right - left) * 2400, abs=20)
    assert 20 <= _seconds(text) <= 40
    click = {"position": {"x": 600, "y": 120}}
    shown.close_up.click(**click)
    assert abs(float(shown.said(r"picture moment None window None close-up moment ([\d.]+)").group(1)) - moment) < 40


def test_keys_on_the_picture_choose_a_moment(shown):
    shown.picture.focus()
    for key in ("Home", "Shift+ArrowRight", "ArrowRight"):
        shown.page.keyboard.press(key)
    playwright.expect(shown.page.locator(".picture .range")).to_contain_text("Cursor at 1:30")
    shown.page.keyboard.press("Enter")
    assert float(shown.said(r"picture moment ([\d.]+) window None").group(1)) == 132.0


def test_drag_on_the_picture_chooses_a_window(shown):
    box = shown.picture.bounding_box()
    shown.page.mouse.move(box["x"] + 500, box["y"] + 130)
    shown.page.mouse.down()

    def drag():
        shown.page.mouse.move(box["x"] + 640, box["y"] + 150, steps=4)
        shown.page.mouse.up()

    text = shown.range_after(drag)
    begin, end = map(float, shown.said(r"picture moment None window \(([\d.]+), ([\d.]+)\)").groups())
    assert end - begin == pytest.approx(140 / (box["width"] - 136) * 2400, abs=4)
    assert _seconds(text) == pytest.approx(end - begin, abs=1)


def test_screen_readers_get_the_events(read):
    lines = read.page.locator(".picture ol.events li").all_inner_texts()
    assert "3:38 Shock 200 J" not in lines  # times count from the first compression, not from case start
    assert "3:40 Shock 200 J" in lines
    assert any(line.endswith("Epinephrine 1 mg") for line in lines)
    assert any("Pause of" in line and "cause: rhythm check" in line for line in lines)
    assert any("Impedance threshold device on" in line for line in lines)
    assert any("Chest not seen for 57 s" in line for line in lines)
    near = read.page.locator(".close-up ol.events li")
    playwright.expect(near.first).to_have_text(re.compile("Arrest begins"))
    assert read.picture.get_attribute("tabindex") == "0"
    assert read.page.locator(".close-up .range").get_attribute("aria-live") == "polite"


def test_a_revision_sends_no_samples_again_and_each_case_keeps_its_window(shown):
    shown.close_up.focus()
    zoomed = shown.range_after(lambda: shown.page.keyboard.press("+"))
    lines = shown.page.locator(".picture ol.events")
    playwright.expect(lines).not_to_contain_text("cause: moving")
    frames = _bytes_received(shown, lambda: shown.page.get_by_text("Second revision").click())
    playwright.expect(lines).to_contain_text("cause: moving")
    assert frames() < 1_000_000  # the samples are 5.4 million bytes
    assert shown.page.locator(".close-up .range").inner_text() == zoomed
    another = shown.page.get_by_text("Another case")
    assert _seconds(shown.range_after(another.click)) == 30
    assert shown.range_after(another.click) == zoomed


def _bytes_received(shown, act):
    """Count what the page's WebSocket brings from now on, through the browser's own protocol."""
    session = shown.context.new_cdp_session(shown.page)
    total = []
    session.on("Network.webSocketFrameReceived", lambda event: total.append(len(event["response"]["payloadData"])))
    session.send("Network.enable")
    act()
    return lambda: sum(total)


def test_zoom_steps_of_the_whole_case_are_measured(read, record_property):
    """Milliseconds to draw each step from 40 minutes of five channels at 250 Hz down to one second; reported, not judged."""
    read.close_up.focus()
    read.page.keyboard.press("0")
    times = []
    for _ in range(16):
        read.page.keyboard.press("+")
        read.page.wait_for_timeout(60)
        times.append(float(read.page.locator(".close-up").get_attribute("data-frame-ms")))
    record_property("frame_ms", times)
    print(f"zoom steps, ms a frame: {times}")
    assert len(times) == 16
    assert all(one > 0 for one in times)


def _assert_drawn(page, ratio):
    """Both canvases hold many colours, and one pixel of theirs for each of the screen's."""
    for view in ("picture", "close-up"):
        drawn = page.page.locator(f".{view} canvas.base").evaluate(COUNT_COLOURS)
        assert drawn["colours"] > 50
        assert drawn["width"] == pytest.approx(drawn["css"] * ratio, abs=1)


def test_both_views_are_drawn(read, tmp_path):
    read.page.screenshot(path=tmp_path / "wide-light.png")
    _assert_drawn(read, 1)


def test_both_views_are_drawn_small_dark_and_on_a_fine_screen(small_and_dark, tmp_path):
    small_and_dark.page.screenshot(path=tmp_path / "small-dark.png")
    _assert_drawn(small_and_dark, 2)
