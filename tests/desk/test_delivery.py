"""Mail about feedback against a real SMTP server: who gets it, what it says and what it does not, and how it goes wrong."""

import ast
import re
import socket
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from qi.__main__ import main
from qi.desk import delivery, sheets, signing
from qi.desk.opened import open_case, review_of
from qi.library.mail import HOW, PASSWORD
from qi.library.mailed import NO_ADDRESS, SEVERAL
from qi.model.cautions import SHORT
from qi.model.errors import QiError
from tests.browser.served import closed_port
from tests.desk.mail_server import HERE, Box, certificate, knows, mail_server
from tests.library.made_cases import bring_in

AT = datetime(2033, 1, 5, 9, 30, tzinfo=UTC)
LINK = "https://qi.rillstone.example/review"
BANNER = "Confidential peer review, Rillstone Valley EMS"
WELLER, ORTIZ, LAU = "j.weller@rillstone.example", "p.ortiz@rillstone.example", "s.lau@rillstone.example"
SENDER = "qi@rillstone.example"


@pytest.fixture
def box():
    return Box()


def set_up(library, port, **more):
    """Write library.toml with [mail], on this machine unless more says otherwise."""
    said = {"host": HERE, "port": port, "security": "none", "sender": SENDER, "link": LINK} | more
    lines = [f"{name} = {_toml(value)}" for name, value in said.items()]
    text = f'[agency]\nname = "Rillstone Valley EMS"\nbanner = "{BANNER}"\n[mail]\n' + "\n".join(lines)
    (library.folder / "library.toml").write_text(text + "\n", encoding="utf-8")


def _toml(value):
    return str(value) if isinstance(value, int) else f'"{value}"'


@pytest.fixture
def key(library, tmp_path):
    """A signed case whose sheet went to three crew numbers; two of them are on the list of people with an address."""
    made = bring_in(library, tmp_path)
    library.sign(made, {"n": 1}, who="M. Ortiz", after=0)
    library.save_sheet(made, 1, {"words": "x"}, who="M. Ortiz")
    library.send_sheet(made, 1, ["C-17", "C-20", "C-31"], who="M. Ortiz")
    library.people.add(WELLER, name="J. Weller", roles=["crew"], crew_ids=["c-17"], who="x")
    library.people.add(ORTIZ, name="P. Ortiz", roles=["crew", "reviewer"], crew_ids=["C-20"], who="x")
    library.people.add("auth0-7712", name="S. Lau", roles=["crew"], crew_ids=["C-31"], who="x")
    return made


def mailed(library, key, **more):
    """Mail about sheet 1 of the case."""
    return delivery.send(library, key, 1, **{"who": "M. Ortiz", "at": AT, "timeout_s": 30.0} | more)


def test_each_of_the_crew_gets_a_message_of_their_own(library, key, box):
    with mail_server(box) as port:
        set_up(library, port)
        done = mailed(library, key)
    assert done == delivery.Delivery(("C-17", "C-20"), (), {"C-31": NO_ADDRESS}, {})
    assert [(one.mail_from, one.rcpt_tos) for one in box.taken] == [(SENDER, [WELLER]), (SENDER, [ORTIZ])]
    assert [one["To"] for one in box.messages] == [WELLER, ORTIZ]
    assert len({one["Message-ID"] for one in box.messages}) == 2
    assert not any(one[name] for one in box.messages for name in ("Cc", "Bcc", "Reply-To"))


def test_the_message_says_that_feedback_is_ready_and_where(library, key, box):
    with mail_server(box) as port:
        set_up(library, port)
        mailed(library, key)
    one = box.messages[0]
    assert one["Subject"] == "Feedback on a call is ready"
    assert one["From"] == f"Rillstone Valley EMS <{SENDER}>"
    assert one["Date"].datetime == AT
    assert re.fullmatch(r"<[^@>\s]+@rillstone\.example>", one["Message-ID"])
    assert one["Auto-Submitted"] == "auto-generated"  # RFC 3834, section 5 (from memory)
    assert one.get_content_type() == "text/plain"
    text = one.get_content()
    assert re.findall(r"https?://\S+", text) == [f"{LINK}/my-sheets"]
    for words in ("Feedback on a call is ready", SHORT, "Rillstone Valley EMS", BANNER):
        assert words in text


def test_the_message_holds_nothing_of_the_case(library, good, box):
    """Of a real sample case: no number, key, station, unit, day, crew, reviewer, measure or sentence of the sheet."""
    opened, lines = open_case(library, good), library.lines(good)
    signing.sign(library, opened, lines, review_of(opened, lines), who="M. Ortiz", after=0)
    review, version = sheets.signed(library, good)
    sheet = sheets.sheet_of(library, good)
    sent = sheets.send(library, good, sheet, review, version, who="M. Ortiz")
    for number, crew in enumerate(sent.crew):
        library.people.add(f"person{number}@rillstone.example", name=f"Person {number}", roles=["crew"], crew_ids=[crew], who="x")
    with mail_server(box) as port:
        set_up(library, port)
        assert set(mailed(library, good).mailed) == set(sent.crew)
    entry, case = library.about(good), review.case
    never = {good, entry.case_id, case.facts.station, case.facts.unit, *sent.crew, "M. Ortiz", "tester", "Person"}
    never |= {said.text for said in sheet.sentences}
    never |= {f"{case.start:{form}}" for form in ("%Y-%m-%d", "%d %b %Y", "%d %B", "%m/%d/%Y", "%Y")}
    for one, message in zip(box.taken, box.messages, strict=True):
        text = message.get_content()
        mark = re.compile(rb"^Message-ID: <\d+\.\d+\.\d+@rillstone\.example>\r?$", re.MULTILINE)  # a moment, a process, by lot
        held = mark.sub(b"", one.content, count=1).decode("ascii") + text
        assert "Message-ID" not in held
        own = one.rcpt_tos[0]
        assert not [words for words in never if words and re.search(rf"(?<!\w){re.escape(str(words))}(?!\w)", held)]
        assert not re.search(r"\d", text), "no number at all stands in the words"
        assert set(re.findall(r"[\w.]+@[\w.]+", text)) == set()
        assert {address for address in re.findall(r"person\d@", held)} == {own.split("@")[0] + "@"}


def test_it_goes_over_starttls_to_a_server_whose_certificate_is_trusted(library, key, box, tmp_path):
    of_server, trust = certificate(tmp_path)
    with mail_server(box, tls_context=of_server, require_starttls=True) as port:
        set_up(library, port, security="starttls")
        assert mailed(library, key, context=trust).mailed == ("C-17", "C-20")
        assert box.over_tls == [True, True]
        refused = mailed(library, key, again=True)  # the machine's own certificates do not know this one
    assert set(refused.troubles) == {"C-17", "C-20"}
    assert "certificate is not trusted" in refused.troubles["C-17"]
    assert len(box.taken) == 2


def test_a_certificate_for_another_name_is_not_trusted(library, key, box, tmp_path):
    of_server, trust = certificate(tmp_path, "other.example")
    with mail_server(box, tls_context=of_server, require_starttls=True) as port:
        set_up(library, port, security="starttls")
        done = mailed(library, key, context=trust)
    assert "certificate is not trusted" in done.troubles["C-20"]
    assert box.taken == []


def test_it_goes_over_tls_from_the_first_byte(library, key, box, tmp_path):
    of_server, trust = certificate(tmp_path)
    with mail_server(box, ssl_context=of_server) as port:
        set_up(library, port, security="tls", host="localhost")
        assert mailed(library, key, context=trust).mailed == ("C-17", "C-20")
    assert box.over_tls == [True, True]


def test_nothing_goes_in_the_open_where_starttls_is_asked_and_not_offered(library, key, box):
    with mail_server(box) as port:
        set_up(library, port, security="starttls")
        done = mailed(library, key)
    assert "does not offer" in done.troubles["C-17"]
    assert box.taken == []


def test_tls_asked_of_a_server_that_speaks_none(library, key, box):
    with mail_server(box) as port:
        set_up(library, port, security="tls")
        done = mailed(library, key)
    assert "no closed way" in done.troubles["C-17"]


def test_login_with_the_password_of_the_environment(library, key, box, tmp_path, monkeypatch):
    of_server, trust = certificate(tmp_path)
    asks = {"tls_context": of_server, "require_starttls": True, "auth_required": True}
    with mail_server(box, authenticator=knows("qi", "s3cret words"), **asks) as port:
        set_up(library, port, security="starttls", login="qi")
        monkeypatch.delenv(PASSWORD, raising=False)
        assert PASSWORD in mailed(library, key, context=trust).troubles["C-17"]
        for password, words in (("wrong", "does not take login and password (535)"), ("schlüssel", "letters that cannot be sent")):
            monkeypatch.setenv(PASSWORD, password)
            said = mailed(library, key, context=trust).troubles["C-17"]
            assert words in said
            assert password not in said
        monkeypatch.setenv(PASSWORD, "s3cret words")
        assert mailed(library, key, context=trust).mailed == ("C-17", "C-20")
    assert box.logged_in == [True, True]


def test_an_address_that_is_refused_stops_no_other(library, key, box):
    box.refuse[WELLER] = f"550 5.1.1 no mailbox {WELLER}"
    with mail_server(box) as port:
        set_up(library, port)
        done = mailed(library, key)
    assert done.mailed == ("C-20",)
    assert done.troubles == {"C-17": "the mail server does not take mail to this address (550)"}
    kept = library.mail_kept(key, 1)
    assert (kept["C-17"].mailed_at, kept["C-20"].mailed_at) == (None, AT)
    assert (kept["C-17"].trouble, kept["C-20"].trouble, kept["C-31"].trouble) == (done.troubles["C-17"], "", NO_ADDRESS)
    assert "@" not in str(kept)


@pytest.mark.parametrize(
    ("answer", "words"),
    [("554 5.7.1 spam", "does not take the message (554)"), ("451 4.3.0 busy", "at the moment (451); try again later")],
)
def test_a_message_that_is_refused_at_its_end(library, key, box, answer, words):
    box.at_the_end = answer
    with mail_server(box) as port:
        set_up(library, port)
        done = mailed(library, key)
    assert done.mailed == ()
    assert all(words in said for said in done.troubles.values())
    assert set(done.troubles) == {"C-17", "C-20"}


def test_a_server_that_is_down(library, key):
    with closed_port() as port:
        set_up(library, port)
        done = mailed(library, key)
    assert set(done.troubles) == {"C-17", "C-20"}
    assert done.troubles["C-17"].startswith("the mail server cannot be reached: ")
    assert library.mail_kept(key, 1)["C-17"].mailed_at is None


def test_a_server_that_never_answers_is_waited_for_once(library, key):
    with socket.create_server((HERE, 0)) as silent:
        silent.settimeout(0)
        set_up(library, silent.getsockname()[1])
        done = mailed(library, key, timeout_s=0.2)
        silent.accept()[0].close()
        with pytest.raises(BlockingIOError):
            silent.accept()
    assert done.troubles == dict.fromkeys(("C-17", "C-20"), "the mail server did not answer within 0.2 s")


def test_nobody_is_mailed_twice_unless_asked(library, key, box):
    box.refuse[ORTIZ] = "450 4.2.1 later"
    with mail_server(box) as port:
        set_up(library, port)
        assert mailed(library, key).mailed == ("C-17",)
        box.refuse.clear()
        later = AT + timedelta(hours=1)
        second = mailed(library, key, at=later)
        assert (second.mailed, second.before) == (("C-20",), ("C-17",))
        assert mailed(library, key, at=later).before == ("C-17", "C-20")
        assert len(box.taken) == 2
        assert mailed(library, key, at=later, again=True).mailed == ("C-17", "C-20")
    assert [one.rcpt_tos[0] for one in box.taken] == [WELLER, ORTIZ, WELLER, ORTIZ]
    assert library.mail_kept(key, 1)["C-17"].mailed_at == later


def test_a_try_again_that_fails_leaves_the_day_of_the_first(library, key, box):
    with mail_server(box) as port:
        set_up(library, port)
        mailed(library, key)
    with closed_port() as port:
        set_up(library, port)
        mailed(library, key, again=True, at=AT + timedelta(days=1))
    kept = library.mail_kept(key, 1)["C-17"]
    assert kept.mailed_at == AT
    assert "cannot be reached" in kept.trouble


def test_one_person_with_two_numbers_gets_one_message(library, key, box):
    library.people.end("auth0-7712", who="x")
    library.people.end(WELLER, who="x")
    library.people.add(LAU, name="S. Lau", roles=["crew"], crew_ids=["C-17", "C-31"], who="x")
    with mail_server(box) as port:
        set_up(library, port)
        assert mailed(library, key).mailed == ("C-17", "C-31", "C-20")
        assert mailed(library, key).before
    assert [one.rcpt_tos for one in box.taken] == [[LAU], [ORTIZ]]


def test_who_gets_none(library, key, box):
    """Several people of one number; an ended entry; somebody who is no crew any more; an address that is none."""
    library.people.add(LAU, name="S. Lau", roles=["crew"], crew_ids=["C-17"], who="x")
    library.people.end(ORTIZ, who="x")
    library.people.add(ORTIZ, name="P. Ortiz", roles=["reviewer"], crew_ids=["C-20"], who="x")
    library.people.end("auth0-7712", who="x")
    library.people.add("tenant@7712 x", name="S. Lau", roles=["crew"], crew_ids=["C-31"], who="x")
    with mail_server(box) as port:
        set_up(library, port)
        done = mailed(library, key)
    assert done.no_address == {"C-17": SEVERAL, "C-20": NO_ADDRESS, "C-31": NO_ADDRESS}
    assert box.taken == []


def test_where_sign_in_tells_roles_those_of_the_list_do_not_count(library, key, box):
    library.people.end(ORTIZ, who="x")
    library.people.add(ORTIZ, name="P. Ortiz", roles=["reviewer"], crew_ids=["C-20"], who="x")
    with mail_server(box) as port:
        set_up(library, port)
        path = library.folder / "library.toml"
        path.write_text(
            path.read_text(encoding="utf-8") + '[sign_in]\nroles_claim = "groups"\n[sign_in.roles]\n"qi" = "crew"\n',
            encoding="utf-8",
        )
        assert mailed(library, key).mailed == ("C-17", "C-20")


def test_the_log_says_that_mail_went_and_nothing_where_none_did(library, key, box):
    with closed_port() as port:
        set_up(library, port)
        mailed(library, key)
    assert [line for line in library.log_lines(case=key) if line.what == "mail"] == []
    with mail_server(box) as port:
        set_up(library, port)
        mailed(library, key)
    told = [(line.did, line.who, line.case) for line in library.log_lines(case=key) if line.what == "mail"]
    assert told == [("sent", "M. Ortiz", key)] * 2
    assert library.verify_log() == []


def test_without_mail_or_a_sent_sheet_it_is_refused(library, key):
    with pytest.raises(QiError) as said:
        mailed(library, key)
    assert str(said.value) == HOW
    set_up(library, 25)
    library.save_sheet(key, 1, {"words": "next"}, who="M. Ortiz")
    with pytest.raises(QiError, match="sheet 2 was not sent"):
        delivery.send(library, key, 2, who="M. Ortiz", at=AT)
    with pytest.raises(QiError, match="no sheet 3"):
        delivery.send(library, key, 3, who="M. Ortiz", at=AT)
    with pytest.raises(QiError, match="was not sent to one of these"):
        library.keep_mailed(key, 1, {"C-99": ""}, who="M. Ortiz", at=AT)


def test_a_test_message_says_that_it_is_one(library, box):
    with mail_server(box) as port:
        set_up(library, port)
        delivery.send_test(library, f" {LAU} ", at=AT)
    one = box.messages[0]
    assert (one["To"], one["Subject"]) == (LAU, "Test of mail")
    assert "This is a test: there is no feedback behind it." in one.get_content()
    assert "is ready" not in one.get_content()
    with pytest.raises(QiError, match="cannot be reached"):
        delivery.send_test(library, LAU, at=AT)
    with pytest.raises(QiError, match="no e-mail address"):
        delivery.send_test(library, "S. Lau <x@y>, z@y", at=AT)


def test_the_command_sends_a_test_message_or_says_why_not(library, box, capsys):
    call = ["mail-test", LAU, "--library", str(library.folder)]
    with mail_server(box) as port:
        set_up(library, port)
        assert main(call) == 0
    assert [one.rcpt_tos for one in box.taken] == [[LAU]]
    assert LAU in capsys.readouterr().out
    assert main(call) == 1
    assert "The test message did not go: the mail server cannot be reached" in capsys.readouterr().err


def test_an_agency_s_name_cannot_add_headers(library, key, box):
    with mail_server(box) as port:
        set_up(library, port)
        path = library.folder / "library.toml"
        path.write_text(
            path.read_text(encoding="utf-8").replace('"Rillstone Valley EMS"', '"Rillstöne\\r\\nBcc: x@y.example"', 1),
            encoding="utf-8",
        )
        mailed(library, key)
    one = box.messages[0]
    assert one["Bcc"] is None
    assert box.taken[0].rcpt_tos == [WELLER]
    assert one["From"].addresses[0].display_name == "Rillstöne Bcc: x@y.example"


def test_the_link_leads_to_a_page_that_there_is():
    calls = [
        node
        for node in ast.walk(ast.parse((Path(__file__).parents[2] / "app.py").read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
    ]
    assert delivery.PAGE in {call.args[0].value for call in calls if getattr(call.func, "attr", "") == "Named"}
