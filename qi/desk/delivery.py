"""Mail to the crew that feedback is ready: a link, and nothing of the case. One message a person, over a closed way, by SMTP."""

import smtplib
import ssl
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import make_msgid

from qi.library.library import Library
from qi.library.mail import HOW, PASSWORD, Mail, address_of
from qi.library.settings import Settings
from qi.model.cautions import LONG, SHORT
from qi.model.errors import QiError

PAGE = "my-sheets"  # the page of the app that the link leads to; it shows whoever signs in their own sheets
TIMEOUT_S = 15.0  # how long a step waits for the server (ours, since somebody waits; RFC 5321, section 4.5.3.2, has minutes)
READY = ("Feedback on a call is ready", "Feedback on a call is ready. It waits for you here, behind the sign-in:")
TEST = ("Test of mail", "This is a test: there is no feedback behind it. In a message to the crew, this is where the link stands:")
REFUSED: Mapping[type[Exception], str] = {  # what a server answered with a code; the first that fits
    smtplib.SMTPAuthenticationError: "does not take login and password",
    smtplib.SMTPSenderRefused: "does not take mail from the sender’s address",
    smtplib.SMTPDataError: "does not take the message",
    smtplib.SMTPResponseException: "does not want to talk",
}
OTHERWISE: Mapping[type[Exception], str] = {  # any other way in which it went wrong; the first that fits
    smtplib.SMTPNotSupportedError: "the mail server does not offer what [mail] asks of it: TLS, or a login",
    smtplib.SMTPException: "the mail server broke off",
    ssl.SSLError: "no closed way to the mail server: it does not speak TLS on this port as [mail] security says",
    UnicodeError: "login or password has letters that cannot be sent to the mail server",
}


@dataclass(frozen=True)
class Delivery:
    """What came of mail about a sheet, by crew number.

    mailed, whose message the server has taken now; before, to whom one had gone before, so that none went now; no_address, who is
    not on the list of people with an e-mail address of their own, with the reason; troubles, why the others' messages did not go.
    """

    mailed: tuple[str, ...]
    before: tuple[str, ...]
    no_address: Mapping[str, str]
    troubles: Mapping[str, str]


def send(
    library: Library,
    key: str,
    number: int,
    *,
    who: str,
    at: datetime,
    again: bool = False,
    context: ssl.SSLContext | None = None,
    timeout_s: float = TIMEOUT_S,
) -> Delivery:
    """Mail everybody whom a sheet went to that feedback is ready; what came of it is kept beside the sheet.

    Parameters: library; key, of the case; number, of the sheet, which was sent; who sends; at, when (aware); again, to those as
    well who had a message about this sheet before; context, how the server's certificate is verified, None for the certificates
    that this machine trusts; timeout_s, how long a step waits for the server [s].
    Returns: Delivery. A person with several crew numbers gets one message. An address that fails stops no other.
    Raises: QiError where mail is not set up, or the sheet was not sent; see Library.settings.
    """
    settings = library.settings
    if settings.mail is None:
        raise QiError(HOW)
    kept, told = library.mail_kept(key, number), library.mail_to(key, number)
    no_address = {one.crew: one.why for one in told if not one.address}
    crews: dict[str, list[str]] = {}
    for one in told:
        if one.address:
            crews.setdefault(one.address, []).append(one.crew)
    had = [address for address, mine in crews.items() if not again and any(kept[crew].mailed_at for crew in mine)]
    library.keep_mailed(key, number, no_address, who=who, at=at)
    troubles: dict[str, str] = {}
    messages = {address: message(settings, settings.mail, address, at=at) for address in crews if address not in had}
    for address, trouble in _post(settings.mail, messages, context, timeout_s):
        mine = dict.fromkeys(crews[address], trouble)
        library.keep_mailed(key, number, mine, who=who, at=at)
        troubles |= mine
    return Delivery(
        tuple(crew for crew, trouble in troubles.items() if not trouble),
        tuple(crew for address in had for crew in crews[address]),
        no_address,
        {crew: trouble for crew, trouble in troubles.items() if trouble},
    )


def send_test(
    library: Library, address: str, *, at: datetime, context: ssl.SSLContext | None = None, timeout_s: float = TIMEOUT_S
) -> None:
    """Mail one address a message that says it is a test.

    Parameters: library; address; see send.
    Raises: QiError where mail is not set up, the address is none, or the message did not go, in words.
    """
    settings = library.settings
    if settings.mail is None:
        raise QiError(HOW)
    if not address_of(address):
        raise QiError(f"“{address}” is no e-mail address that can be used")
    made = message(settings, settings.mail, address_of(address), at=at, about=TEST)
    for _, trouble in _post(settings.mail, {address_of(address): made}, context, timeout_s):
        if trouble:
            raise QiError(f"The test message did not go: {trouble}")


def message(settings: Settings, mail: Mail, address: str, *, at: datetime, about: tuple[str, str] = READY) -> EmailMessage:
    """The message to one person, the same for every sheet: nothing of the case, its day or place, the crew or the reviewer.

    Parameters: settings; mail, how it goes out; address; at, when (aware); about, its subject and its first line.
    References: RFC 5322, headers; RFC 3834, section 5, Auto-Submitted (from memory).
    """
    agency = "".join(letter for letter in " ".join(settings.agency.split()) if letter.isprintable())
    made = EmailMessage(policy=SMTP)
    made["From"] = Address(agency, addr_spec=mail.sender)
    made["To"] = Address(addr_spec=address)
    made["Subject"] = about[0]
    made["Date"] = at.astimezone(UTC)
    made["Message-ID"] = make_msgid(domain=mail.sender.rpartition("@")[2])
    made["Auto-Submitted"] = "auto-generated"
    parts = [
        about[1],
        f"{mail.link}/{PAGE}",
        "You can mark it as read there, and answer. Please do not answer this message, and write nothing of a call into a mail.",
        f"{SHORT} {LONG[-1]}",
        agency,
        settings.banner.strip(),
    ]
    made.set_content("\n\n".join(part for part in parts if part) + "\n", cte="quoted-printable")
    return made


def _post(
    mail: Mail, messages: Mapping[str, EmailMessage], context: ssl.SSLContext | None, timeout_s: float
) -> Iterator[tuple[str, str]]:
    """Hand messages to the server, each over a way of its own: address, and why it did not go, empty where it did.

    Where the server cannot be come by, that is said of all that are left, without waiting for each.
    """
    unreachable = ""
    if mail.login and not mail.password:
        unreachable = f"no password: [mail] login is set, {PASSWORD} is not"
    for address, made in messages.items():
        if unreachable:
            yield address, unreachable
            continue
        try:
            server = _opened(mail, context or ssl.create_default_context(), timeout_s)
        except (OSError, smtplib.SMTPException, UnicodeError) as error:
            unreachable = _words(error, timeout_s)
            yield address, unreachable
            continue
        try:
            server.send_message(made, from_addr=mail.sender, to_addrs=[address])
        except (OSError, smtplib.SMTPException) as error:
            yield address, _words(error, timeout_s)
        else:
            yield address, ""
        finally:
            _leave(server)


def _opened(mail: Mail, context: ssl.SSLContext, timeout_s: float) -> smtplib.SMTP:
    """The server, greeted, over TLS unless it is this machine's own, and told who we are."""
    if mail.security == "tls":
        server: smtplib.SMTP = smtplib.SMTP_SSL(mail.host, mail.port, timeout=timeout_s, context=context)
    else:
        server = smtplib.SMTP(mail.host, mail.port, timeout=timeout_s)
    try:
        if mail.security == "starttls":
            server.starttls(context=context)
        if mail.login:
            server.login(mail.login, mail.password)
    except BaseException:
        server.close()
        raise
    return server


def _leave(server: smtplib.SMTP) -> None:
    """Part from the server; what it has taken it keeps, however it says good-bye."""
    with suppress(OSError, smtplib.SMTPException):
        server.quit()
    server.close()


def _words(error: Exception, timeout_s: float) -> str:
    """Why a message did not go, without the server's own words: they may hold the address."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        code = next(iter(error.recipients.values()))[0]
        return f"the mail server does not take mail to this address{_later(code)}"
    if isinstance(error, smtplib.SMTPResponseException):
        what = next(words for kind, words in REFUSED.items() if isinstance(error, kind))
        return f"the mail server {what}{_later(error.smtp_code)}"
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the mail server’s certificate is not trusted: {error.verify_message}"
    if isinstance(error, TimeoutError) or isinstance(error.__context__, TimeoutError):
        return f"the mail server did not answer within {timeout_s:g} s"
    for kind, words in OTHERWISE.items():
        if isinstance(error, kind):
            return words
    return f"the mail server cannot be reached: {getattr(error, 'strerror', None) or error}"


def _later(code: int) -> str:
    return f" at the moment ({code}); try again later" if 400 <= code < 500 else f" ({code})"
