"""Whom the app serves: the one person at this machine, those who sign in, or nobody yet because sign-in is not set up."""

import importlib.util
import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import streamlit as st
from streamlit import config
from streamlit.web.server import server_util

SHORTEST_SECRET = 32  # characters of the secret that signs cookies (RFC 7518, section 3.2: a key as long as its hash, 32 bytes)
FEWEST_LETTERS = 10  # different characters in the secret: 32 hexadecimal digits by chance have 14 (ours, no source)
CALLBACK = "/oauth2callback"  # where Streamlit takes the provider's answer
SHARED, OF_A_PROVIDER = ("redirect_uri", "cookie_secret"), ("client_id", "client_secret", "server_metadata_url")
EITHER = (
    "Either keep it to this machine (server.address = 127.0.0.1), or set up sign-in by OpenID Connect in .streamlit/secrets.toml."
)
SET_UP = "README.md, “For more than one person”, says how."


@dataclass(frozen=True)
class Standing:
    """Whom the app serves.

    how, "one_person", "sign_in" or "refused"; why, where it is refused, a sentence for whoever started it; origin, the address that
    people open, as https://qi.example.org; providers, the names that st.login takes, "" for the only one.
    """

    how: str
    why: str = ""
    origin: str = ""
    providers: tuple[str, ...] = ()

    @property
    def secure(self) -> bool:
        """Whether people reach it over TLS alone."""
        return self.origin.startswith("https:")

    @property
    def hosts(self) -> frozenset[str]:
        """Names under which the app answers, beside those of this machine itself."""
        return frozenset({urlsplit(self.origin).hostname or ""} - {""})


def now() -> Standing:
    """Whom the app serves by its settings as they stand: config.toml, flags, environment and secrets.toml."""
    public = config.get_option("browser.serverAddress") if config.is_manually_set("browser.serverAddress") else ""
    if config.get_option("server.trustedUserHeaders"):
        return _refused("it does not take a name from a proxy's headers (server.trustedUserHeaders); sign-in is by OpenID Connect.")
    if not (config.get_option("server.enableCORS") and config.get_option("server.enableXsrfProtection")):
        return _refused("server.enableCORS and server.enableXsrfProtection must stay on.")
    return judged(config.get_option("server.address"), str(public or ""), _auth())


def base() -> str:
    """What stands before every path by the settings; empty where nothing does."""
    return str(config.get_option("server.baseUrlPath") or "")


def opened_at(whom: Standing) -> str:
    """The address under which people open the app by the settings; without sign-in, that at this machine."""
    if whom.origin:
        return whom.origin + f"/{base().strip('/')}".rstrip("/")
    address = str(config.get_option("server.address"))
    return server_util.get_url(f"[{address.strip('[]')}]" if ":" in address else address)


def _auth() -> Mapping[str, Any]:
    """The table [auth] of secrets.toml; empty without one."""
    if not st.secrets.load_if_toml_exists():
        return {}
    found = st.secrets.get("auth") or {}
    return found if isinstance(found, dict) else found.to_dict()


def judged(address: str | None, public: str, auth: Mapping[str, Any]) -> Standing:
    """Whom the app serves.

    Parameters: address, that the server listens on, None for all; public, the name that people are told to open, empty where none
    is set; auth, the table [auth] of secrets.toml.
    """
    if not auth:
        here = is_this_machine(address or "")
        if here and (not public or is_this_machine(public)):
            return Standing("one_person")
        where = f"is set to be opened as {public}" if here else f"would listen on {address or 'every address'}"
        return _refused(f"it {where}, where others can reach it, and no sign-in is set up. {EITHER} {SET_UP}")
    providers = tuple(name for name, table in auth.items() if isinstance(table, Mapping) and "client_id" in table)
    wrong = _wrong(auth, providers)
    if wrong:
        return _refused(f"sign-in is not set up in full: {wrong} (.streamlit/secrets.toml, [auth]). {SET_UP}")
    parts = urlsplit(str(auth["redirect_uri"]))
    return Standing("sign_in", origin=f"{parts.scheme}://{parts.netloc}", providers=providers or ("",))


def _refused(words: str) -> Standing:
    return Standing("refused", f"The app does not start: {words}")


def _wrong(auth: Mapping[str, Any], providers: tuple[str, ...]) -> str:
    """What is missing or unfit for sign-in; empty where nothing is."""
    missing = [name for name in SHARED if not auth.get(name)]
    for table in [auth[name] for name in providers] or [auth]:
        missing += [name for name in OF_A_PROVIDER if not table.get(name)]
    if missing:
        return f"{', '.join(dict.fromkeys(missing))} missing"
    if len(str(auth["cookie_secret"])) < SHORTEST_SECRET:
        return f"cookie_secret is shorter than {SHORTEST_SECRET} characters"
    if len(set(str(auth["cookie_secret"]))) < FEWEST_LETTERS:
        return f"cookie_secret can be guessed: it is made of fewer than {FEWEST_LETTERS} different characters"
    parts = urlsplit(str(auth["redirect_uri"]))
    if not parts.hostname or not parts.path.endswith(CALLBACK):
        return f"redirect_uri should be the app's full address with {CALLBACK} at its end"
    if parts.scheme != "https" and not is_this_machine(parts.hostname):
        return "redirect_uri begins with http, and cookies go over TLS only: it should begin with https"
    if importlib.util.find_spec("authlib") is None:
        return "the package Authlib is not installed (requirements.txt names it)"
    return ""


def secret_files() -> list[Path]:
    """The files of secrets that there are, in the order in which Streamlit looks for them."""
    return [path for path in map(Path, config.get_option("secrets.files")) if path.is_file()]


def is_this_machine(host: str) -> bool:
    """Whether an address or a name is this machine's own, which no other machine can reach."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
