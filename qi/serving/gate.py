"""The gate before the app: who may knock, which files need a sign-in, and what is said at the head of every answer.

Streamlit asks nobody for a sign-in where it gives out files (downloads, pictures), takes uploads or tells its figures; the gate
does. How it reads the cookie of a sign-in is an internal of Streamlit: requirements.txt holds the release, tests/serving the
behaviour.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from http.cookies import CookieError
from typing import Any
from urllib.parse import quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from streamlit.web.server.starlette.starlette_server_config import TOKENS_COOKIE_NAME, USER_COOKIE_NAME
from streamlit.web.server.starlette.starlette_websocket import _get_signed_cookie_with_chunks, is_host_allowed

from qi.model.people import NOBODY, Person, may
from qi.serving import files, policy
from qi.serving.given import Asked
from qi.serving.standing import CALLBACK, Standing, is_this_machine

PROXY_HEADERS = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip")
UPLOADS, OF_UPLOADS, OF_FIGURES = "upload_file", "bring_in", "manage_people"  # under /_stcore/, and what they and the rest are for
OPEN_OF_CORE = ("health", "host-config", "stream", "bidi-components")  # under /_stcore/: no data in them, or asked for by the page
BACK = "qi_back"  # cookie: the address that somebody opened before they had signed in
BACK_S, LONGEST_BACK = 900, 300  # how long it is kept [s]; characters


class Gate:
    """Middleware around the whole app."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        standing: Standing,
        hours: float,
        person: Callable[[Mapping[str, Any]], Person],
        may_have: Callable[[Person, Asked], bool],
        base: str = "",
        early: Mapping[str, Sequence[str]] | None = None,
    ) -> None:
        """Set up.

        Parameters: app, inside; standing, whom it serves; hours, that a sign-in lasts at most; person, who the claims of one are;
        may_have, whether a person may have a file that asks for that;
        base, what stands before every path (server.baseUrlPath); early, the scripts that a page will ask for, see policy.Early.
        """
        self._base = f"/{base.strip('/')}/" if base.strip("/") else "/"
        self._app = app
        self._standing = standing
        self._seconds = int(hours * 3600)
        self._person = person
        self._may_have = may_have
        self._headers = policy.headers(secure=standing.secure)
        self._early = policy.Early(early or {}, base=self._base)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        status, words = self._refusal(scope, headers)
        if not status and scope["type"] == "http" and self._standing.how == "sign_in":
            status, words = await run_in_threadpool(self._file_refusal, self._path(scope), headers)
        if scope["type"] == "websocket":
            host = "" if status else self._host_of_page(headers)
            if not host:
                await send({"type": "websocket.close", "code": 1008})
                return
            MutableHeaders(scope=scope)["host"] = host

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                told = MutableHeaders(scope=message)
                self._early.say(told, self._path(scope), message["status"])
                self._say(told, scope, headers)
            await send(message)

        if status:
            await PlainTextResponse(words, status)(scope, receive, answer)
        else:
            await self._app(scope, receive, answer)

    def _path(self, scope: Scope) -> str:
        """A path without what stands before every path, and without a slash at either end."""
        return str(scope["path"]).removeprefix(self._base).strip("/")

    def _refusal(self, scope: Scope, headers: Headers) -> tuple[int, str]:
        """Status and words for whoever may not even knock; status 0 for the others."""
        if self._standing.how == "refused":
            return 503, self._standing.why
        name = _host(headers.get("host", ""))
        if not is_this_machine(name) and name not in self._standing.hosts:
            return 403, "The app does not answer under this name."
        if not is_host_allowed(headers.get("host")):
            return 403, "The app does not answer under this name (server.allowedHosts)."
        if self._standing.how == "one_person":
            client = scope.get("client") or ("", 0)
            if not is_this_machine(client[0]) or any(name in headers for name in PROXY_HEADERS):
                return 403, "This app serves the person at its own machine only. For others, set up sign-in."
        return 0, ""

    def _host_of_page(self, headers: Headers) -> str:
        """The Host under which Streamlit takes a WebSocket as one of the app's own pages; empty for one of another site's page.

        Streamlit asks no further where Origin and Host are the same; else it asks a host outside for this machine's address, while
        everybody waits. Behind a proxy that writes its own Host, Origin alone tells the name that people open. Browsers always send
        an Origin; whoever sends none is let in as Streamlit does it, which then reads no sign-in.
        """
        host, origin = headers.get("host", ""), headers.get("origin")
        if origin is None:
            return host
        try:
            name = urlsplit(origin).netloc
        except ValueError:
            return ""
        return name if name == host or origin == self._standing.origin else ""

    def _file_refusal(self, path: str, headers: Headers) -> tuple[int, str]:
        """Status and words where a file, an upload or a figure is asked for without a sign-in that may have it."""
        first, _, rest = path.partition("/")
        if first not in ("media", "app", "_stcore") or (first == "_stcore" and rest.partition("/")[0] in OPEN_OF_CORE):
            return 0, ""
        claims = claims_of(headers)
        person = self._person(claims) if claims else NOBODY
        if person == NOBODY:
            return 401, "Sign in first."
        if first == "_stcore":
            act = OF_UPLOADS if rest.partition("/")[0] == UPLOADS else OF_FIGURES
            return (0, "") if may(person, act) else (403, "This is not for this account.")
        if not person.roles or (first == "media" and not self._holds(person, str(claims.get("sub")), rest)):
            return 403, "This file is not yours."
        return 0, ""

    def _holds(self, person: Person, subject: str, file: str) -> bool:
        return files.holds(subject, file, lambda asked: self._may_have(person, asked))

    def _say(self, told: MutableHeaders, scope: Scope, asked: Headers) -> None:
        """What stands at the head of an answer: the policy, no copies of files, cookies kept tight, and the way back."""
        for name, value in self._headers.items():
            told[name] = value
        if self._path(scope).startswith("media/"):
            told["cache-control"] = "no-store"
        if self._standing.how == "sign_in":
            self._way_back(told, scope, asked)
        tight = [self._tight(cookie) for cookie in told.getlist("set-cookie")]
        del told["set-cookie"]
        for cookie in tight:
            told.append("set-cookie", cookie)

    def _way_back(self, told: MutableHeaders, scope: Scope, asked: Headers) -> None:
        """Keep the address that was opened before sign-in, and lead there after it; Streamlit always leads to the first page."""
        cookies = cookie_parser(asked.get("cookie", ""))
        if scope["path"].endswith(CALLBACK):
            back = cookies.get(BACK, "")
            if any(cookie.startswith(f"{USER_COOKIE_NAME}=") for cookie in told.getlist("set-cookie")) and _is_inside(back):
                told["location"] = back
            told.append("set-cookie", f"{BACK}=; Max-Age=0; Path=/; HttpOnly; SameSite=lax")
        elif scope["method"] == "GET" and "text/html" in asked.get("accept", "") and USER_COOKIE_NAME not in cookies:
            back = quote(scope["path"], safe="/") + (f"?{query}" if (query := scope["query_string"].decode("latin-1")) else "")
            if _is_inside(back) and not self._path(scope).startswith("auth/"):
                told.append("set-cookie", f"{BACK}={back}; Max-Age={BACK_S}; Path=/; HttpOnly; SameSite=lax")

    def _tight(self, cookie: str) -> str:
        """A cookie over TLS only where the app is, and one of a sign-in for no longer than that lasts."""
        parts = [part for part in cookie.split("; ") if part.lower() != "secure"]
        if cookie.startswith((USER_COOKIE_NAME, TOKENS_COOKIE_NAME)):
            parts = [f"Max-Age={self._seconds}" if _longer(part, self._seconds) else part for part in parts]
        return "; ".join([*parts, "Secure"] if self._standing.secure else parts)


def claims_of(headers: Headers) -> dict[str, Any]:
    """The claims of the sign-in whose cookie came with a request; empty where there is none, or its signature does not hold."""
    try:
        kept = _get_signed_cookie_with_chunks(cookie_parser(headers.get("cookie", "")), USER_COOKIE_NAME)
        found = json.loads(kept) if kept else {}
    except (ValueError, CookieError):
        return {}
    return found if isinstance(found, dict) else {}


def _host(text: str) -> str:
    """The name in a Host header, without its port."""
    return (text[1:].partition("]")[0] if text.startswith("[") else text.partition(":")[0]).lower().rstrip(".")


def _is_inside(address: str) -> bool:
    """Whether an address is a page of this app and fits a cookie."""
    plain = address.isascii() and address.isprintable() and not set(address) & set('";,\\ ')
    return plain and address.startswith("/") and not address.startswith("//") and len(address) <= LONGEST_BACK


def _longer(part: str, seconds: int) -> bool:
    name, _, value = part.partition("=")
    return name.lower() == "max-age" and value.isdigit() and int(value) > seconds
