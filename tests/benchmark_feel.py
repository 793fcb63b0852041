"""How the app feels, in headless Chromium on this machine: `python -m tests.benchmark_feel`.

Opens a simulated 40-min case with six channels in a new tab and from within the app, zooms and pans, and writes corrections. Prints
the median and the slowest of several runs beside what is asked: 2 s in a new tab, 1 s from within the app, 50 ms a frame, 500 ms
from a correction to the changed number. Nothing is asserted: server and browser share the machine, and drawing is in software.
"""

import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from qi.desk.bring_in import bring_in
from qi.library.library import Library
from tests.browser.conftest import CHROMIUM, QUIET
from tests.browser.served import served
from tests.simulator.forty_minutes import SIX, write

ROOT = Path(__file__).parents[1]
REPEATS = 7
CASES = 5
MEASURES = "[...document.querySelectorAll('p')].find(p => p.innerText.includes('Hands were on the chest')).innerText"
UNDO = "document.querySelector('[class*=st-key-undo-] button')?.innerText ?? ''"
TOLD: dict[Page, list[float]] = {}  # when the browser of each tab told the server that a case is drawn
ASKED_MS = {"new tab": 2000, "within the app": 1000, "frame": 50, "correction": 500}


def main() -> None:
    """Make the library, serve the app, measure, print."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        keys = _library(folder / "library")
        (folder / ".streamlit").mkdir()
        (folder / ".streamlit" / "config.toml").write_bytes((ROOT / ".streamlit" / "config.toml").read_bytes())
        os.environ["QI_LIBRARY"] = str(folder / "library")
        with served(ROOT / "app.py", folder) as address, sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=CHROMIUM, args=QUIET)
            # one context, as of one person's browser: a new tab finds the app's own files in the browser's cache
            tabs = browser.new_context(viewport={"width": 1440, "height": 1000}, reduced_motion="reduce")
            found = _measured(tabs, address, keys)
            browser.close()
    print(f"{'':<34}{'median':>9}{'slowest':>9}{'asked':>9}  ms")
    for name, (kind, values) in found.items():
        print(f"{name:<34}{statistics.median(values):>9.0f}{max(values):>9.0f}{ASKED_MS[kind]:>9}")


def _library(folder: Path) -> list[str]:
    """A library with simulated cases of 40 min."""
    library = Library.open(folder)
    keys = []
    for number in range(1, CASES + 1):
        case = folder.parent / f"forty-{number}"
        write(case, channels=SIX, seed=number)
        keys.append(bring_in(library, case, who="benchmark", agency="invented").key)
    return keys


def _measured(tabs, address: str, keys: list[str]) -> dict[str, tuple[str, list[float]]]:
    for _ in range(2):  # fills the browser's and the server's caches, as the day's first case does
        _close(_opened(tabs, address, keys[0])[0])
    found: dict[str, tuple[str, list[float]]] = {"new tab, case in memory": ("new tab", [])}
    for _ in range(REPEATS):
        page, taken_ms = _opened(tabs, address, keys[0])
        found["new tab, case in memory"][1].append(taken_ms)
        _close(page)
    page, _ = _opened(tabs, address, keys[0])
    page.wait_for_timeout(3000)
    found["from within the app, first time"] = ("within the app", [_switched(page, number) for number in range(1, CASES)])
    found["from within the app, again"] = ("within the app", [_switched(page, number % 2) for number in range(REPEATS)])
    found |= _frames(page)
    return found | _corrected(page)


def _opened(tabs, address: str, key: str) -> tuple[Page, float]:
    """The walkthrough of a case in a new tab, and how long it took from the address to the drawn case [ms]."""
    page = tabs.new_page()
    page.on("websocket", lambda socket: socket.on("framesent", lambda sent: _note(page, sent)))
    began = time.perf_counter()
    page.goto(f"{address}/walkthrough?case={key}", wait_until="commit")
    return page, (_drawn(page, 1) - began) * 1000


def _note(page: Page, sent: str | bytes) -> None:
    if b'"drawn"' in (sent.encode() if isinstance(sent, str) else sent):
        TOLD.setdefault(page, []).append(time.perf_counter())


def _drawn(page: Page, number: int) -> float:
    """When the browser told the server for the so-many-th time that picture and close-up of a case are drawn.

    What is asked of the page from outside is answered up to a second later, where the charts that follow keep it busy.
    """
    until = time.monotonic() + 60.0
    while len(TOLD.get(page, [])) < number:
        if time.monotonic() > until:
            raise TimeoutError("the case was not drawn within a minute")
        page.wait_for_timeout(10)
    return TOLD[page][number - 1]


def _close(page: Page) -> None:
    """Close a tab when it has come to rest, so that it takes no time from the next one."""
    page.wait_for_timeout(3000)
    page.close()
    time.sleep(0.5)


def _switched(page: Page, to: int) -> float:
    """Choose another case in the sidebar; until its picture and its close-up are drawn [ms]."""
    box = page.locator("[data-testid=stSidebar] [data-testid=stSelectbox] input")
    box.click()
    options = page.locator("[role=option]")
    options.first.wait_for()
    before = len(TOLD[page])
    began = time.perf_counter()
    options.nth(to).click()
    taken_ms = (_drawn(page, before + 1) - began) * 1000
    page.wait_for_timeout(3000)
    return taken_ms


def _frames(page: Page) -> dict[str, tuple[str, list[float]]]:
    """Time of a frame while zooming and panning, as the component itself measures it [ms]."""
    plot = page.locator(".close-up .plot")
    plot.scroll_into_view_if_needed()
    plot.click(position={"x": 600, "y": 60})
    found: dict[str, tuple[str, list[float]]] = {}
    for name, keys in {
        "frame, zooming out": ["-"] * 12,
        "frame, panning": ["ArrowLeft"] * 12,
        "frame, zooming in": ["+"] * 12,
    }.items():
        values = []
        for key in keys:
            page.keyboard.press(key)
            page.wait_for_timeout(60)
            values.append(float(page.locator(".close-up").get_attribute("data-frame-ms")))
        found[name] = ("frame", values)
    return found


def _corrected(page: Page) -> dict[str, tuple[str, list[float]]]:
    """Put pauses in by key: until the sentence with the measures has changed, the journal, and the whole page has followed [ms]."""
    plot = page.locator(".close-up .plot")
    found: dict[str, tuple[str, list[float]]] = {}
    for _ in range(REPEATS):
        page.keyboard.press("Shift+ArrowRight")
        plot.click(position={"x": 500, "y": 60})
        page.wait_for_timeout(1500)
        page.keyboard.press("Enter")
        for _ in range(13):  # longer than the limit of a pause, so that the sentence counts one more
            page.keyboard.press("Shift+.")
        page.keyboard.press("Enter")
        page.wait_for_timeout(1500)
        words, undo = (page.evaluate(script) for script in (MEASURES, UNDO))
        began = time.perf_counter()
        page.keyboard.press("p")
        for name, script, before in (("measures in words", MEASURES, words), ("journal", UNDO, undo)):
            page.wait_for_function(f"before => ({script}) !== before", arg=before, timeout=30_000, polling=10)
            found.setdefault(f"correction to {name}", ("correction", []))[1].append((time.perf_counter() - began) * 1000)
        page.wait_for_selector("[data-testid=stApp][data-test-script-state=notRunning]", timeout=30_000)
        found.setdefault("correction to the whole page", ("correction", []))[1].append((time.perf_counter() - began) * 1000)
        page.wait_for_timeout(1000)
    return found


if __name__ == "__main__":
    sys.exit(main())
