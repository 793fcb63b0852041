"""What browsers are told of every answer: what may run on a page, that no other site may frame it, and nothing to other hosts."""

import base64
import hashlib
import re
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path

from starlette.datastructures import MutableHeaders
from streamlit import file_util

_INLINE = re.compile(r"<script(?![^>]*\bsrc=)[^>]*>(.*?)</script>", re.DOTALL | re.IGNORECASE)
_OFF = (
    "accelerometer autoplay camera display-capture geolocation gyroscope magnetometer microphone midi payment usb"
).split()  # what a page could ask a browser for, and no page here does
YEAR_S = 31_536_000


@cache
def scripts() -> tuple[str, ...]:
    """The hash of each script that stands in Streamlit's own page, as a policy names it; another one with each release of it."""
    page = (Path(file_util.get_static_dir()) / "index.html").read_text(encoding="utf-8")
    digests = [hashlib.sha256(script.encode()).digest() for script in _INLINE.findall(page) if script.strip()]
    return tuple(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)


def content() -> str:
    """The content policy of every answer.

    Styles may stand in the page, as Streamlit and the charts write them; scripts come from this server alone, but for those in
    Streamlit's page, each named by its hash; WebAssembly is what its numbers of 64 bits are worked with. `connect-src 'self'`
    holds for WebSockets of this server too.
    References: W3C, Content Security Policy Level 3, sections 6.1 and 6.7.2.8 (a WebSocket of the same origin fits 'self').
    """
    parts = {
        "default-src": "'self'",
        "script-src": " ".join(("'self'", "'wasm-unsafe-eval'", *scripts())),
        "style-src": "'self' 'unsafe-inline'",
        "img-src": "'self' data: blob:",
        "font-src": "'self' data:",
        "connect-src": "'self'",
        "worker-src": "'self' blob:",
        "object-src": "'none'",
        "frame-src": "'none'",
        "frame-ancestors": "'none'",
        "base-uri": "'self'",
        "form-action": "'self'",
    }
    return "; ".join(f"{name} {value}" for name, value in parts.items())


def headers(*, secure: bool) -> dict[str, str]:
    """What stands at the head of every answer.

    Parameters: secure, whether people reach the app over TLS alone.
    """
    told = {
        "content-security-policy": content(),
        "x-content-type-options": "nosniff",
        "x-frame-options": "DENY",
        "referrer-policy": "no-referrer",
        "permissions-policy": ", ".join(f"{name}=()" for name in _OFF),
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
    }
    return told | ({"strict-transport-security": f"max-age={YEAR_S}"} if secure else {})


class Early:
    """Tells a browser with a page which scripts it will ask for, so that it fetches them while it reads Streamlit's own.

    Streamlit asks for the scripts of a component only once the page has its data, and their answers may not be kept. They are named
    only after the first of them was given out: the browser would keep in mind that one was not there.
    References: HTML Living Standard, link type "modulepreload"; RFC 8288 (the Link header); from memory.
    """

    def __init__(self, scripts: Mapping[str, Sequence[str]], *, base: str = "/") -> None:
        """Set up.

        Parameters: scripts, by the address of a page those that it asks for, the first one first, without what stands before every
        path; base, that, with a slash at either end.
        """
        self._scripts = {page: tuple(names) for page, names in scripts.items() if names}
        self._base = base
        self._given: set[str] = set()

    def say(self, told: MutableHeaders, path: str, status: int) -> None:
        """Name the scripts at the head of an answer that is such a page.

        Parameters: told, the head; path, asked for; status, of the answer.
        """
        if status == 200 and path in self._scripts and self._scripts[path][0] in self._given:
            told["link"] = ", ".join(f'<{self._base}{name}>; rel="modulepreload"' for name in self._scripts[path])
        elif status == 200 and any(path == names[0] for names in self._scripts.values()):
            self._given.add(path)
