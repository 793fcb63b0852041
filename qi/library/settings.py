"""The library's settings, `library.toml` in its folder: agency name, zone, banner and paper, and the share of cases read twice."""

import tomllib
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from qi.library import mail, sign_in
from qi.library.mail import Mail
from qi.library.place import SETTINGS_FILE
from qi.library.sign_in import SignIn
from qi.model.errors import UnknownWord, UnreadableFile
from qi.model.paper import A4, PAPERS

SECOND_SHARE = 0.1  # share of cases that a second reader is asked to read (our default, no source)
LONGEST_BANNER = 300  # characters: three lines at the head of a printed page (ours, no source)
_KNOWN: Mapping[str, tuple[str, ...]] = {
    "agency": ("name", "zone", "banner", "paper"),
    "second_reading": ("share",),
    "sign_in": sign_in.WORDS,
    "crew": ("opens_own_cases",),
    "bring_in": ("inbox",),
    "retention": ("keep_review_months", "keep_measures_months"),
    "mail": mail.WORDS,
}


@dataclass(frozen=True)
class Settings:
    """The agency's name, IANA zone and banner (each may be empty), the share of cases that are read twice, 0 to 1, how sign-in is
    read, for how long a review and its measures are kept [months after the call], None for as long as nobody deletes them, how mail
    goes out, None where none does, the inbox, resolved: the server's folder below which those who sign in can name folders to
    be brought in, None where they can name none, and the paper that sheets and reports are printed on, a word of PAPERS.
    """

    agency: str = ""
    zone: str = ""
    banner: str = ""
    second_share: float = SECOND_SHARE
    sign_in: SignIn = field(default_factory=SignIn)
    keep_review_months: int | None = None
    keep_measures_months: int | None = None
    mail: Mail | None = None
    inbox: Path | None = None
    paper: str = A4


def read(folder: Path) -> Settings:
    """Read `library.toml` of a library's folder; the defaults without one.

    Raises: UnreadableFile for a file that is no TOML, or a value that cannot be used; UnknownWord for an entry that is not known.
    """
    path = folder / SETTINGS_FILE
    if not path.is_file():
        return Settings()
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise UnreadableFile(path, f"not settings in TOML: {error}") from error
    mail.refuse_password(path, table.get("mail"))
    for name, entries in table.items():
        if name not in _KNOWN:
            raise UnknownWord(SETTINGS_FILE, name, _KNOWN)
        if not isinstance(entries, dict):
            raise UnreadableFile(path, f"{name} should be a table, [{name}]")
        for key in entries:
            if key not in _KNOWN[name]:
                raise UnknownWord(f"{SETTINGS_FILE}, [{name}]", key, _KNOWN[name])
    agency, second = table.get("agency", {}), table.get("second_reading", {})
    texts = [_text(path, agency, name) for name in _KNOWN["agency"]]
    told = sign_in.read(path, table.get("sign_in", {}), table.get("crew", {}))
    banner = _banner(path, texts[2])
    share, kept = _share(path, second.get("share", SECOND_SHARE)), _kept(path, table.get("retention", {}))
    inbox, post = _inbox(path, table), mail.read(path, table.get("mail"))
    return Settings(texts[0], _zone(path, texts[1]), banner, share, told, kept[0], kept[1], post, inbox, _paper(texts[3]))


def _text(path: Path, table: Mapping[str, Any], name: str) -> str:
    value = table.get(name, "")
    if not isinstance(value, str):
        raise UnreadableFile(path, f"[agency] {name} is {value!r}, should be a text in quotes")
    return value


def _banner(path: Path, text: str) -> str:
    """The agency's wording as one line of signs that can be seen."""
    line = " ".join("".join(sign for sign in text if sign.isprintable() or sign.isspace()).split())
    if len(line) > LONGEST_BANNER:
        raise UnreadableFile(path, f"[agency] banner has {len(line)} characters, at most {LONGEST_BANNER} fit on every page")
    return line


def _paper(text: str) -> str:
    word = text.strip().casefold() or A4
    if word not in PAPERS:
        raise UnknownWord(f"{SETTINGS_FILE}, [agency] paper", text, PAPERS)
    return word


def _inbox(path: Path, table: Mapping[str, Any]) -> Path | None:
    """The folder for files that are to be brought in; it holds nothing of the library, and the library nothing of it."""
    value = table.get("bring_in", {}).get("inbox", "")
    if not isinstance(value, str):
        raise UnreadableFile(path, f"[bring_in] inbox is {value!r}, should be a folder's full path in quotes")
    if not value:
        return None
    if not Path(value).is_absolute():
        raise UnreadableFile(path, f"[bring_in] inbox is “{value}”, should be a folder's full path")
    inbox, library = Path(value).resolve(), path.parent.resolve()
    if inbox.is_relative_to(library) or library.is_relative_to(inbox):
        raise UnreadableFile(path, "[bring_in] inbox and the library's folder should lie apart, neither inside the other")
    return inbox


def _zone(path: Path, name: str) -> str:
    try:
        return zoneinfo.ZoneInfo(name).key if name else ""
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise UnreadableFile(path, f"[agency] zone “{name}” is not an IANA zone; an example is America/Denver") from None


def _share(path: Path, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1:
        raise UnreadableFile(path, f"[second_reading] share is {value!r}, should be a number from 0 to 1 such as 0.1")
    return float(value)


def _kept(path: Path, table: Mapping[str, Any]) -> list[int | None]:
    """For how many months review and measures are kept."""
    found = [table.get(name) for name in _KNOWN["retention"]]
    for name, value in zip(_KNOWN["retention"], found, strict=True):
        if value is not None and (isinstance(value, bool) or not isinstance(value, int) or value < 1):
            raise UnreadableFile(path, f"[retention] {name} is {value!r}, should be a whole number of months such as 36")
    review, measures = found
    if review is not None and measures is not None and measures < review:
        raise UnreadableFile(path, f"[retention] measures are kept for {measures} months, the review longer: {review}")
    return found
