"""The part of the library's settings that says how mail goes out: `[mail]` of library.toml. The password never stands there."""

import ipaddress
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from qi.library.place import SETTINGS_FILE
from qi.model.errors import UnknownWord, UnreadableFile

WORDS = ("host", "port", "security", "sender", "login", "link")
PASSWORD = "QI_MAIL_PASSWORD"  # the environment's variable
PORTS: Mapping[str, int] = {  # how the way to the server is closed, and the port where none is said
    "starttls": 587,  # RFC 6409, section 3.1 (from memory)
    "tls": 465,  # RFC 8314, section 3.3 (from memory)
    "none": 25,  # RFC 5321, section 4.5.4.2 (from memory)
}
HOW = (
    f"Mail is not set up: [mail] in {SETTINGS_FILE} with host, sender and link (the app's address) lets each of the crew get a "
    "message that says nothing of the case."
)
_ADDRESS = re.compile(r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+(\.[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+)*@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*")
_HOST = re.compile(r"[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*")
_LONGEST = 254  # letters of an address (RFC 5321, section 4.5.3.1.3, from memory)


@dataclass(frozen=True)
class Mail:
    """How mail goes out.

    host and port, of the mail server; security, a word of PORTS; sender, the address that messages come from; login, the name that
    the server knows us by, empty where it asks none; link, the address of the app as people open it, without a stroke at its end.
    """

    host: str
    port: int
    security: str
    sender: str
    login: str
    link: str

    @property
    def password(self) -> str:
        """The password that goes with the login, from the environment alone; empty where none is there."""
        return os.environ.get(PASSWORD, "")


def refuse_password(path: Path, table: object) -> None:
    """Refuse a password in the file, which is copied, shared and backed up.

    Parameters: path, of the file, for messages; table, [mail] as it was read.
    Raises: UnreadableFile, which does not repeat it.
    """
    if isinstance(table, dict) and any("password" in name.casefold() for name in table):
        raise UnreadableFile(path, f"[mail] holds a password: take it out; it is read from the environment alone, {PASSWORD}")


def read(path: Path, table: Mapping[str, Any] | None) -> Mail | None:
    """Read the table.

    Parameters: path, of the file, for messages; table, None where the file has none.
    Returns: None without a table: then no mail goes out.
    Raises: UnreadableFile for a value that is missing or cannot be used; UnknownWord for a security that is not known.
    """
    if table is None:
        return None
    host, sender, link = (_text(path, table, name) for name in ("host", "sender", "link"))
    login = _text(path, table, "login") if "login" in table else ""
    security = table.get("security", "starttls")
    if security not in PORTS:
        raise UnknownWord(f"{SETTINGS_FILE}, [mail] security", str(security), PORTS)
    if not _is_host(host):
        raise UnreadableFile(path, f"[mail] host is {host!r}, should be the name or address of a mail server, without a port")
    if security == "none" and not is_loopback(host):
        raise UnreadableFile(path, f"[mail] security is none, which only a server on this machine may have; {host} is another")
    if address_of(sender) != sender:
        raise UnreadableFile(path, f"[mail] sender is {sender!r}, should be an e-mail address alone such as qi@example.org")
    return Mail(host, _port(path, table.get("port", PORTS[security])), security, sender, login, _link(path, link))


def address_of(text: str) -> str:
    """The e-mail address that a text is; empty where it is none, or none that every mail server takes.

    References: RFC 5322, section 3.4.1: an address of dot-atoms (from memory).
    """
    text = text.strip()
    return text if len(text) <= _LONGEST and _ADDRESS.fullmatch(text) else ""


def is_loopback(host: str) -> bool:
    """Whether a host is this machine itself, over what never leaves it."""
    if host.casefold() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _text(path: Path, table: Mapping[str, Any], name: str) -> str:
    value = table.get(name)
    if not isinstance(value, str) or not value.strip():
        raise UnreadableFile(path, f"[mail] {name} is {'missing' if value is None else repr(value)}, should be a text in quotes")
    return value.strip()


def _port(path: Path, value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value < 65536:
        raise UnreadableFile(path, f"[mail] port is {value!r}, should be a whole number such as 587")
    return value


def _is_host(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return bool(_HOST.fullmatch(text))
    return True


def _link(path: Path, text: str) -> str:
    """The app's address, which people are to open over TLS, or at this machine."""
    try:
        parts = urlsplit(text)
        host, _ = parts.hostname or "", parts.port
    except ValueError:
        host = ""
    if not _is_host(host) or not text.isascii() or not text.isprintable() or any(sign in text for sign in " @?#<>\\"):
        raise UnreadableFile(path, f"[mail] link is {text!r}, should be the app's address such as https://qi.example.org")
    if parts.scheme != "https" and not (parts.scheme == "http" and is_loopback(host)):
        raise UnreadableFile(path, f"[mail] link is {text!r}, should begin with https: sign-in goes over TLS only")
    return text.rstrip("/")
