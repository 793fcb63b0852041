"""The gate before the app: names it answers under, headers, cookies, the way back, and files for those who may."""

import asyncio
import base64
import hashlib
import json
import logging
import re
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
from starlette.responses import PlainTextResponse, RedirectResponse
from streamlit import file_util
from streamlit.web.server.starlette.starlette_app_utils import create_signed_value

from qi.model.people import NOBODY, ROLES, Person, may
from qi.serving import errors, policy, start
from qi.serving.gate import BACK, Gate
from qi.serving.standing import Standing

SECRET, COOKIE = "a secret of tests, longer than thirty-two", "_streamlit_user"
HERE, SIGN_IN = Standing("one_person"), Standing("sign_in", origin="https://qi.example.org", providers=("",))
SET = [f"{COOKIE}=v; HttpOnly; Max-Age=2592000; Path=/; SameSite=lax", "_streamlit_xsrf=x; Path=/; SameSite=Lax; Secure"]


async def inside(scope, receive, send):
    """What stands behind the gate."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
        await send({"type": "websocket.close", "code": 1000})
        return
    answer = RedirectResponse("/", 302) if scope["path"] == "/oauth2callback" else PlainTextResponse("inside")
    for cookie in SET:
        answer.raw_headers.append((b"set-cookie", cookie.encode()))
    await answer(scope, receive, send)


def role_of(claims):
    return Person("M. Ortiz", roles=frozenset(claims.get("roles", ()))) if claims.get("is_logged_in") else NOBODY


def may_have(person, asked):
    """As the server asks, without a library."""
    return may(person, asked.act)


def alone(asked):
    """What a coroutine gives, in a thread of its own: in this one a browser's driver may keep a loop running."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(lambda: asyncio.run(asked())).result()


class Client:
    """Asks the gate, as a browser at some address that opens the app under some name."""

    def __init__(self, standing, host="qi.example.org", at="127.0.0.1", base="", early=None):
        self.gate = Gate(inside, standing=standing, hours=10.0, person=role_of, may_have=may_have, base=base, early=early)
        self.url, self.at = f"https://{host}", at

    def get(self, path, headers=None):
        return alone(lambda: self._get(path, headers or {}))

    async def _get(self, path, headers):
        transport = httpx.ASGITransport(self.gate, client=(self.at, 1234))
        async with httpx.AsyncClient(transport=transport, base_url=self.url) as client:
            return await client.get(self.url + path, headers=headers)

    def websocket(self):
        """The first thing that a WebSocket is told."""
        told = []

        async def send(message):
            told.append(message)

        headers = [(b"host", self.url.removeprefix("https://").encode())]
        scope = {"type": "websocket", "path": "/_stcore/stream", "headers": headers, "client": (self.at, 1234)}
        alone(lambda: self.gate(scope, None, send))
        return told[0]["type"]


@pytest.fixture(autouse=True)
def secret(monkeypatch):
    monkeypatch.setattr("streamlit.web.server.starlette.starlette_websocket.get_cookie_secret", lambda: SECRET)


def signed(**claims):
    told = {"is_logged_in": True, "sub": "7", "iat": time.time(), **claims}
    return {COOKIE: create_signed_value(SECRET, COOKIE, json.dumps(told)).decode()}


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:8501", "[::1]:8501"])
def test_one_person_is_answered_at_this_machine(host):
    assert Client(HERE, host).get("/").text == "inside"
    assert Client(HERE, host).get("/media/x.zip").text == "inside"


@pytest.mark.parametrize("host", ["qi.example.org", "192.0.2.7", "localhost.example.org", "evil.example:8501"])
def test_one_person_is_answered_under_no_other_name(host):
    assert Client(HERE, host).get("/").status_code == 403


def test_one_person_is_not_served_from_elsewhere_or_through_a_proxy():
    assert Client(HERE, "localhost", at="192.0.2.7").get("/").status_code == 403
    for name in ("Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-IP"):
        assert Client(HERE, "localhost").get("/", headers={name: "192.0.2.7"}).status_code == 403
    assert Client(HERE, "evil.example").websocket() == Client(HERE, "localhost", at="192.0.2.7").websocket() == "websocket.close"
    assert Client(HERE, "localhost").websocket() == Client(SIGN_IN).websocket() == "websocket.accept"


def test_a_refused_app_says_why_and_nothing_else():
    refused = Standing("refused", "The app does not start: why.")
    for path in ("/", "/media/x", "/_stcore/health", "/_stcore/host-config"):
        answer = Client(refused, "localhost").get(path)
        assert (answer.status_code, answer.text) == (503, "The app does not start: why.")


@pytest.mark.parametrize("path", ["/", "/walkthrough", "/static/js/x.js", "/_stcore/health", "/_stcore/host-config", "/auth/login"])
def test_what_holds_no_data_is_open(path):
    assert Client(SIGN_IN).get(path).text == "inside"


@pytest.mark.parametrize(
    "path", ["/media/x.zip", "/media/", "/_stcore/metrics", "/_stcore/upload_file/a/b", "/_stcore/healthy", "/app/static/a"]
)
def test_what_may_hold_data_asks_for_a_sign_in_with_a_role(path):
    ask = Client(SIGN_IN)
    ended = signed(is_logged_in=False, roles=["reviewer"])
    told = json.dumps({"is_logged_in": True, "roles": ["reviewer"]})
    forged = {COOKIE: create_signed_value("another secret", COOKIE, told).decode()}
    for cookies in ({}, ended, forged, {COOKIE: "nonsense"}, {COOKIE: ""}):
        assert Client(SIGN_IN, host="qi.example.org").get(path, headers=sent(cookies)).status_code == 401
    assert ask.get(path, headers=sent(signed())).status_code == 403
    expected = 200 if path.startswith("/app") else 403  # no open session holds that file
    assert ask.get(path, headers=sent(signed(roles=["crew"]))).status_code == expected


@pytest.mark.parametrize(
    ("path", "roles"),
    [
        ("/_stcore/upload_file/a/b", {"reviewer", "medical_director"}),
        ("/_stcore/upload_filex", {"administrator"}),
        ("/_stcore/metrics", {"administrator"}),
        ("/_stcore/script-health-check", {"administrator"}),
        ("/_stcore/another-of-a-later-release", {"administrator"}),
    ],
)
def test_uploads_are_for_those_who_bring_in_and_figures_for_administrators(path, roles):
    for role in ROLES:
        answer = Client(SIGN_IN).get(path, headers=sent(signed(roles=[role])))
        assert answer.status_code == (200 if role in roles else 403), role


@pytest.mark.parametrize("base", ["qi", "/qi/", "tools/qi"])
def test_files_are_asked_about_under_a_longer_address_as_well(base):
    ask, before = Client(SIGN_IN, base=base), f"/{base.strip('/')}"
    for path in ("/media/x.zip", "/_stcore/metrics", "/_stcore/upload_file/a/b"):
        assert ask.get(before + path).status_code == 401
    assert ask.get(f"{before}/_stcore/health").text == "inside"
    assert ask.get(f"{before}/walkthrough").text == "inside"


def sent(cookies):
    return {"Cookie": "; ".join(f"{name}={value}" for name, value in cookies.items())} if cookies else {}


def test_every_answer_has_the_policy_at_its_head():
    for answer in (Client(SIGN_IN).get("/"), Client(SIGN_IN).get("/media/x"), Client(HERE, "evil.example").get("/")):
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert "camera=()" in answer.headers["permissions-policy"]
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
    assert Client(SIGN_IN).get("/media/x").headers["cache-control"] == "no-store"
    assert "strict-transport-security" in Client(SIGN_IN).get("/").headers
    assert "strict-transport-security" not in Client(HERE, "localhost").get("/").headers


def test_the_policy_lets_run_what_streamlit_s_page_holds_and_nothing_else():
    page = (Path(file_util.get_static_dir()) / "index.html").read_text(encoding="utf-8")
    inline = [script for tag, script in re.findall(r"<script([^>]*)>(.*?)</script>", page, re.DOTALL) if "src=" not in tag]
    hashes = {f"'sha256-{base64.b64encode(hashlib.sha256(one.encode()).digest()).decode()}'" for one in inline}
    parts = dict(part.split(" ", 1) for part in policy.content().split("; "))
    assert set(parts["script-src"].split()) == {"'self'", "'wasm-unsafe-eval'"} | hashes
    assert inline
    assert parts["connect-src"] == parts["default-src"] == "'self'"
    assert not re.search(r"https?:|wss?:|\*", policy.content())


SCRIPTS = ["_stcore/bidi-components/qi.waveforms/waveforms.js", "_stcore/bidi-components/qi.waveforms/frame.js"]


@pytest.mark.parametrize("base", ["", "reviews"])
def test_a_page_names_its_scripts_once_the_first_of_them_was_given_out(base):
    """HTML Living Standard, "modulepreload": a module that could not be had is kept in mind as such, so none is named too early."""
    client = Client(HERE, host="localhost", base=base, early={"walkthrough": SCRIPTS})
    under = f"/{base}/" if base else "/"
    assert "link" not in client.get(f"{under}walkthrough?case=x").headers
    assert client.get(f"{under}{SCRIPTS[1]}").status_code == 200
    assert "link" not in client.get(f"{under}walkthrough").headers
    assert "link" not in client.get(f"{under}{SCRIPTS[0]}").headers
    said = client.get(f"{under}walkthrough?case=x").headers["link"]
    assert said == ", ".join(f'<{under}{script}>; rel="modulepreload"' for script in SCRIPTS)
    assert "link" not in client.get(f"{under}worklist").headers


def test_scripts_that_nobody_is_let_to_are_not_named():
    client = Client(HERE, host="localhost", early={"walkthrough": SCRIPTS})
    client.url = "http://elsewhere.example.org"
    assert client.get(f"/{SCRIPTS[0]}").status_code == 403
    client.url = "http://localhost"
    assert "link" not in client.get("/walkthrough").headers


def test_cookies_over_tls_only_and_no_longer_than_a_sign_in():
    user, xsrf = Client(SIGN_IN).get("/x", headers={"Accept": "*/*"}).headers.get_list("set-cookie")
    assert user == f"{COOKIE}=v; HttpOnly; Max-Age=36000; Path=/; SameSite=lax; Secure"
    assert xsrf.count("Secure") == 1
    near = Standing("sign_in", origin="http://localhost:8501", providers=("",))
    user, xsrf = Client(near, "localhost:8501").get("/x").headers.get_list("set-cookie")
    assert "Max-Age=36000" in user
    assert "Secure" not in user + xsrf


def test_the_way_back_to_the_address_that_was_opened():
    ask = Client(SIGN_IN)
    opened = ask.get("/walkthrough?case=abc&t=3.5", headers={"Accept": "text/html"}).headers.get_list("set-cookie")
    assert f"{BACK}=/walkthrough?case=abc&t=3.5; Max-Age=900; Path=/; HttpOnly; SameSite=lax; Secure" in opened
    back = ask.get("/oauth2callback?code=1", headers={"Cookie": f"{BACK}=/walkthrough?case=abc&t=3.5"})
    assert back.headers["location"] == "/walkthrough?case=abc&t=3.5"
    assert any(one.startswith(f"{BACK}=; Max-Age=0") for one in back.headers.get_list("set-cookie"))


@pytest.mark.parametrize(
    "there", ["//evil.example/x", "https://evil.example", "/\\evil.example", "", "walkthrough", '/x"y', "/" + "x" * 400]
)
def test_the_way_back_leads_nowhere_else(there):
    answer = Client(SIGN_IN).get("/oauth2callback", headers={"Cookie": f"{BACK}={there}"})
    assert answer.headers["location"] == "/"


def test_no_way_back_is_kept_for_who_is_in_or_for_files():
    ask = Client(SIGN_IN)
    for path, headers in (
        ("/walkthrough", {"Accept": "text/html", **sent(signed(roles=["reviewer"]))}),
        ("/static/x.js", {"Accept": "*/*"}),
        ("/auth/login?provider=x", {"Accept": "text/html"}),
        ("//evil.example", {"Accept": "text/html"}),
    ):
        assert not [one for one in ask.get(path, headers=headers).headers.get_list("set-cookie") if one.startswith(BACK)]


def test_an_error_is_logged_without_its_words(caplog):
    log = logging.getLogger("tests.words")
    log.addFilter(errors.WithoutWords())
    try:
        try:
            raise KeyError("Jane Doe")
        except KeyError as inner:
            raise ValueError("Jane Doe, 54 years") from inner
    except ValueError as error:
        log.error("Uncaught app execution", exc_info=error)
    assert "Doe" not in caplog.text
    assert "Uncaught app execution: ValueError at" in caplog.text
    assert "after KeyError" in caplog.text
    assert "test_gate.py" in caplog.text


def test_the_server_keeps_the_words_of_errors_out_of_streamlit_s_log(monkeypatch, caplog):
    log = logging.getLogger(errors.STREAMLITS)
    monkeypatch.setattr(log, "filters", [])
    monkeypatch.setattr(log, "propagate", True)
    monkeypatch.setattr(start.standing, "now", lambda: HERE)
    start.middleware()
    try:
        raise ValueError("Jane Doe, 54 years")
    except ValueError as error:
        log.error("Uncaught app execution", exc_info=error)
    assert "Uncaught app execution: ValueError at" in caplog.text
    assert "Doe" not in caplog.text
