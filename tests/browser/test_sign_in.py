"""Sign-in with a real OpenID Connect server on this machine: who sees what, which files answer whom, and when it ends."""

import json
import sys
import time
from contextlib import suppress
from pathlib import Path
from urllib.parse import urlparse

import httpx
import pytest
from streamlit.web.server.starlette.starlette_app_utils import create_signed_value

from qi.desk.bring_in import bring_in
from qi.library.library import Library
from qi.model.errors import QiError
from tests.browser.conftest import fresh
from tests.browser.served import running, served
from tests.screens.test_roles import PEOPLE

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_cases" / "rv-2031-0107"
NAME, CLIENT = "_streamlit_user", httpx.Client()
SECRET = "a secret of tests, longer than thirty-two characters"
SEEN = {
    "reviewer": {"Worklist", "Bring in", "Walkthrough", "Clocks", "Protocol"},
    "medical_director": {"Worklist", "Bring in", "Walkthrough", "Clocks", "Protocol"},
    "crew": {"Protocol"},
    "administrator": {"Protocol", "People"},
}
NEVER = {"reviewer": {"People"}, "medical_director": {"People"}, "crew": SEEN["reviewer"] - {"Protocol"} | {"People"}}
NEVER |= {"administrator": SEEN["reviewer"] - {"Protocol"}}
WATCH = """window.violations = [];
addEventListener('securitypolicyviolation', e => violations.push(e.violatedDirective + ' ' + e.blockedURI))"""
STANDS = """async () => {
    for (const _ of [1, 2]) await new Promise(requestAnimationFrame)
    const moves = document.getAnimations().filter(a => a.effect.getComputedTiming().endTime < Infinity)
    await Promise.allSettled(moves.map(a => a.finished))
}"""


@pytest.fixture(scope="module")
def provider(tmp_path_factory):
    """Address of an OpenID Connect server that knows one person of each role."""

    def command(port):
        call = [sys.executable, "-m", "oidc_provider_mock", "--port", str(port)]
        for role, (email, name, *_) in PEOPLE.items():
            call += ["--user-claims", json.dumps({"sub": f"sub-{role}", "email": email, "email_verified": True, "name": name})]
        return call

    with running(command, "/.well-known/openid-configuration", tmp_path_factory.mktemp("provider")) as url:
        yield url


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with a library: one sample case, and a person of each role."""
    folder = tmp_path_factory.mktemp("signed-in")
    with Library.open(folder / "library") as library:
        assert bring_in(library, SAMPLE, who="tests", agency="Rillstone Valley EMS").key
        for subject, name, roles, crew in PEOPLE.values():
            library.people.add(subject, name=name, roles=roles, crew_ids=crew, who="tests")
    return folder


@pytest.fixture(scope="module")
def address(place, provider):
    """Address of the app, served with sign-in."""
    (place / ".streamlit").mkdir()

    def set_up(port):
        (place / ".streamlit" / "secrets.toml").write_text(
            f'[auth]\nredirect_uri = "http://127.0.0.1:{port}/oauth2callback"\ncookie_secret = "{SECRET}"\nclient_id = "tests"\n'
            f'client_secret = "tests"\nserver_metadata_url = "{provider}/.well-known/openid-configuration"\n',
            encoding="utf-8",
        )

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QI_LIBRARY", str(place / "library"))
        with served(ROOT / "app.py", place, set_up) as url:
            yield url


@pytest.fixture(scope="module")
def case(place):
    """Key of the sample case."""
    with Library.open(place / "library") as library:
        return library.keys()[0]


class Tab:
    """A fresh browser with one tab, what it complained of, and whom it asked."""

    def __init__(self, browser, cookies=()):
        self.context = fresh(browser, viewport={"width": 1440, "height": 1000})
        self.context.add_cookies(list(cookies))
        self.context.add_init_script(WATCH)
        self.context.route(lambda url: urlparse(url).hostname != "127.0.0.1", lambda route: route.abort())  # the provider asks
        self.page = self.context.new_page()
        self.asked = set()  # which hosts, by which host's page
        self.page.on("request", self._note)

    def _note(self, request):
        self.asked.add((urlparse(request.frame.url).netloc, urlparse(request.url).netloc))

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()

    def sign_in(self, url, role):
        """Open an address, sign in at the provider, and come back."""
        self.page.goto(url)
        self.page.get_by_role("button", name="Sign in").click()
        self.page.locator(f"button[value=sub-{role}]").click()
        self.page.wait_for_selector("[data-testid=stSidebarNav]")

    def unfold(self, label):
        """Open what is folded under a label, and wait until it stands: a click on what still moves can miss it."""
        self.page.get_by_text(label).click()
        self.page.evaluate(STANDS)

    @property
    def text(self):
        return self.page.locator("[data-testid=stMain]").inner_text()


def cookie(address, role, age_h=0.0):
    """The cookie of a sign-in that began some hours ago, signed as Streamlit signs it."""
    told = {
        "sub": f"sub-{role}",
        "email": PEOPLE[role][0],
        "email_verified": True,
        "iat": int(time.time() - age_h * 3600),
        "is_logged_in": True,
    }
    return create_signed_value(SECRET, NAME, json.dumps(told | {"origin": address, "provider": "default"})).decode()


def asked(address, value=None, method="GET", **headers):
    """Status of what a request is answered."""
    sent = {"Cookie": f"{NAME}={value}"} if value else {}
    return CLIENT.request(method, address, headers=sent | headers).status_code


@pytest.mark.parametrize("role", ["medical_director", "crew", "administrator"])
def test_each_role_signs_in_and_sees_its_pages(browser, address, case, role):
    with Tab(browser) as tab:
        tab.sign_in(address, role)
        shown = set(tab.page.locator("[data-testid=stSidebarNav] a").all_inner_texts())
        shown = {name.strip().splitlines()[-1] for name in shown}
        assert SEEN[role] <= shown
        assert not NEVER[role] & shown
        tab.page.get_by_text(PEOPLE[role][1]).first.wait_for()
        if role != "medical_director":
            tab.page.goto(f"{address}/walkthrough?case={case}")
            tab.page.get_by_role("heading", name="Not for this account").wait_for()
            assert "rv-2031-0107" not in tab.text


def test_a_reviewer_s_way_in_work_and_way_out(browser, address, provider, case):
    """The address that was opened is led back to; pages, charts and the component run under the policy; files are this person's."""
    with Tab(browser) as tab:
        page = tab.page
        tab.sign_in(f"{address}/walkthrough?case={case}", "reviewer")
        page.wait_for_selector(".close-up[data-ready]")
        page.wait_for_selector("text=What was read")
        page.wait_for_selector(".js-plotly-plot")
        assert "rv-2031-0107" in tab.text
        assert f"case={case}" in page.url
        for one in tab.context.cookies():
            if one["name"].startswith("_streamlit_user"):
                assert (one["httpOnly"], one["sameSite"]) == (True, "Lax")
                assert one["expires"] <= time.time() + 10 * 3600 + 5
        tab.unfold("Take the case out as files")
        with (
            page.expect_download() as taken,
            page.expect_response(lambda answer: "/media/" in answer.url) as got,
        ):
            page.get_by_role("button", name="The case, to be shared").click()
        assert taken.value.suggested_filename == "shared-case.zip"
        file = got.value.url
        mine = next(one["value"] for one in tab.context.cookies() if one["name"] == NAME)
        assert [asked(file, value) for value in (mine, None, mine[:-2])] == [200, 401, 401]
        assert asked(file, cookie(address, "medical_director")) == 403  # a link that was passed on
        assert page.evaluate("violations") == []
        ours, theirs = urlparse(address).netloc, urlparse(provider).netloc
        assert {to for by, to in tab.asked if by == ours} <= {ours, theirs, ""}
        page.get_by_role("button", name="Sign out").click()
        page.wait_for_function("() => !document.querySelector('[data-testid=stSidebarNav]')")
        assert not [one for one in tab.context.cookies() if one["name"].startswith("_streamlit_user")]
        page.goto(f"{address}/walkthrough?case={case}")
        page.get_by_role("button", name="Sign in").wait_for()
        assert "rv-2031-0107" not in tab.text


def test_a_sign_in_that_has_ended_is_signed_out(browser, address, case):
    kept = {"name": NAME, "domain": "127.0.0.1", "path": "/", "httpOnly": True, "sameSite": "Lax"}
    with Tab(browser, [kept | {"value": cookie(address, "reviewer", 9.5)}]) as tab:
        tab.page.goto(address)
        tab.page.get_by_role("heading", name="Worklist").wait_for()
    with Tab(browser, [kept | {"value": cookie(address, "reviewer", 10.5)}]) as tab:
        tab.page.goto(f"{address}/walkthrough?case={case}")
        tab.page.wait_for_url(lambda url: "/walkthrough" not in url)
        assert not [one for one in tab.context.cookies() if one["name"] == NAME]


def test_files_uploads_and_figures_answer_nobody(address):
    ended = cookie(address, "reviewer", 10.5)
    for path in ("/media/0.zip", "/media/x/y", "/_stcore/metrics", "/_stcore/upload_file/a/b", "/_stcore/other", "/app/static/x"):
        for value in (None, "nonsense", ended):
            for method in ("GET", "PUT", "POST", "DELETE", "HEAD", "OPTIONS"):
                assert asked(address + path, value, method) == 401, (method, path)
    now = cookie(address, "reviewer")
    for role in PEOPLE:
        got = asked(f"{address}/_stcore/metrics", cookie(address, role))
        assert got == (200 if role == "administrator" else 403), role
    for role in ("crew", "administrator"):
        assert asked(f"{address}/_stcore/upload_file/a/b", cookie(address, role), "PUT") == 403
    assert asked(f"{address}/media/0.zip", now) == 403
    assert asked(f"{address}/_stcore/health") == 200
    assert asked(address, Host="elsewhere.example") == 403


def instead(library, role, *roles):
    """End the entry of a person, where they have one, and give them other roles, or none."""
    email, name, _, crew = PEOPLE[role]
    with suppress(QiError):
        library.people.end(email, who="tests")
    if roles:
        library.people.add(email, name=name, roles=roles, crew_ids=crew or ["C-99"], who="tests")


def test_a_role_taken_away_ends_on_pages_that_stand_open(browser, address, place, case):
    """A form that runs by itself writes nothing more, a button makes no file more, and a file that was made opens no more."""
    kept = {"name": NAME, "domain": "127.0.0.1", "path": "/", "httpOnly": True, "sameSite": "Lax"}
    director = cookie(address, "medical_director")
    with (
        Library.open(place / "library") as library,
        Tab(browser, [kept | {"value": cookie(address, "reviewer")}]) as one,
        Tab(browser, [kept | {"value": director}]) as two,
    ):
        for tab in (one, two):
            tab.page.goto(f"{address}/walkthrough?case={case}")
        two.unfold("Take the case out as files")
        edf = two.page.get_by_role("button", name="Waveforms and events, EDF+")
        with two.page.expect_response(lambda answer: "/media/" in answer.url) as got:
            edf.click()
        assert asked(got.value.url, director) == 200
        field = one.page.get_by_label("What was seen, and what would help next time")
        field.wait_for()
        lines, exported = library.lines(case), library.log_count(did="exported")
        try:
            instead(library, "reviewer")
            field.fill("written after the role had gone")
            one.page.get_by_role("button", name="Write the finding").click()
            one.page.get_by_role("heading", name="No role here").or_(
                one.page.get_by_role("heading", name="Not for this account")
            ).wait_for()
            assert library.lines(case) == lines
            instead(library, "medical_director", "crew")
            assert asked(got.value.url, director) == 403
            edf.click()
            until = time.monotonic() + 120
            while not [line for line in library.log_lines(did="refused") if line.what == "download"]:
                assert time.monotonic() < until
                two.page.wait_for_timeout(100)
            assert library.log_count(did="exported") == exported
        finally:
            for role in ("reviewer", "medical_director"):
                instead(library, role, *PEOPLE[role][2])
