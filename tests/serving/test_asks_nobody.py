"""The server asks no host outside for anything: not at its start, and not when another site's page knocks."""

import sys
import threading
from contextlib import contextmanager
from http.client import HTTPConnection
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from qi import __main__ as command_line
from tests.browser.served import HERE, running
from tests.serving.test_standing import AUTH

ROOT = Path(__file__).parents[2]
PUBLIC = "qi.example.org"
FOREIGN = [
    "https://evil.example",
    "null",
    "",
    "http://[",
    "http://localhost:1",
    "http://127.0.0.1:1",
    f"https://{PUBLIC}.evil.example",
]


class Proxy(BaseHTTPRequestHandler):
    """Notes what a program would ask of a host outside, and gives nothing."""

    def noted(self):
        self.server.asked.append(self.requestline)
        self.send_error(502)

    do_GET = do_POST = do_CONNECT = noted  # noqa: N815 - as the base class calls them

    def log_message(self, *_):
        """Nothing on the tests' output."""


@pytest.fixture
def asked(monkeypatch):
    """What the programs of this test ask of other hosts, kept from leaving this machine."""
    with ThreadingHTTPServer((HERE, 0), Proxy) as proxy:
        proxy.asked = []
        for name in ("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"):
            monkeypatch.setenv(name, f"http://{HERE}:{proxy.server_port}")
        for name in ("no_proxy", "NO_PROXY"):
            monkeypatch.setenv(name, HERE)
        threading.Thread(target=proxy.serve_forever, daemon=True).start()
        yield proxy.asked
        proxy.shutdown()


@contextmanager
def app(place, monkeypatch, words, *, sign_in):
    """The app, started by a call, with or without sign-in: its port.

    Parameters: words, makes the call from a port.
    """
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    monkeypatch.setenv("QI_LIBRARY", str(place / "library"))
    (place / ".streamlit").mkdir()

    def command(port):
        auth = AUTH | {"redirect_uri": f"https://{PUBLIC}:{port}/oauth2callback"} if sign_in else {}
        text = "[auth]\n" + "\n".join(f'{name} = "{value}"' for name, value in auth.items()) if sign_in else ""
        (place / ".streamlit" / "secrets.toml").write_text(text, encoding="utf-8")
        return words(str(port))

    with running(command, "/_stcore/health", place) as url:
        yield urlsplit(url).port


def by_streamlit(*options):
    """As README.md says it first, with options; without "headless", Streamlit would ask for an e-mail where nobody answers."""
    return lambda port: [
        sys.executable,
        "-m",
        "streamlit",
        "run",
        str(ROOT / "app.py"),
        "--server.port",
        port,
        *options,
    ]


def by_serve(port):
    """The call that `qi serve` makes."""
    made = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            command_line.subprocess, "run", lambda call, **_: made.append(call) or command_line.subprocess.CompletedProcess(call, 0)
        )
        command_line.main(["serve", "--address", "0.0.0.0", "--port", port])
    return made[0]


def knock(port, origin, host):
    """The status that a WebSocket is answered with."""
    headers = {
        "Host": host,
        "Connection": "Upgrade",
        "Upgrade": "websocket",
        "Sec-WebSocket-Version": "13",
        "Sec-WebSocket-Key": "MDEyMzQ1Njc4OWFiY2RlZg==",
    }
    connection = HTTPConnection(HERE, port, timeout=60)
    try:
        connection.request("GET", "/_stcore/stream", headers=headers | ({} if origin is None else {"Origin": origin}))
        return connection.getresponse().status
    finally:
        connection.close()


@pytest.mark.parametrize(
    ("words", "sign_in"),
    [
        (by_streamlit(), False),
        (by_streamlit("--server.headless", "true", "--server.address", "0.0.0.0"), True),
        (by_serve, True),
    ],
    ids=["for one person", "for others", "qi serve"],
)
def test_no_other_host_is_asked_at_the_start_or_for_another_site_s_page(words, sign_in, asked, tmp_path, monkeypatch):
    with app(tmp_path, monkeypatch, words, sign_in=sign_in) as port:
        own = f"{PUBLIC}:{port}" if sign_in else f"{HERE}:{port}"
        assert [knock(port, origin, own) for origin in FOREIGN] == [403] * len(FOREIGN)
        assert knock(port, f"https://{own}", own) == knock(port, None, own) == 101
        if sign_in:  # behind a proxy that writes its own Host
            assert knock(port, f"https://{own}", f"{HERE}:{port}") == 101
            assert knock(port, f"http://{own}", f"{HERE}:{port}") == 403
    where = f"https://{own}" if sign_in else f"http://{own}"
    assert f"Arrest review is open at {where}\n" in (tmp_path / "log.txt").read_text(encoding="utf-8")
    assert asked == []
