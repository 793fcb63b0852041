"""One headless Chromium for all browser tests; they are left out where the machine has none."""

import shutil

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
QUIET = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--no-first-run"]
QUIET += ["--disable-features=LocalNetworkAccessChecks"]  # an answer passed on with our policy has no address of its own

PATIENCE_MS = 120_000  # how long what is expected may take on a busy machine; a test that passes waits no longer than it must


@pytest.fixture(scope="session")
def browser():
    playwright = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    playwright.expect.set_options(timeout=PATIENCE_MS)
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield started
        started.close()


def fresh(browser, **options):
    """A context of its own in the browser, as patient as a busy machine asks, where what can stand still does.

    Parameters: options, of Playwright's Browser.new_context.
    """
    context = browser.new_context(reduced_motion="reduce", **options)
    context.set_default_timeout(PATIENCE_MS)
    context.set_default_navigation_timeout(PATIENCE_MS)
    return context
