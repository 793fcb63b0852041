"""Mail on the page of a sheet, against a real SMTP server: what it says for each of the crew, and trying again."""

import pytest

from qi.library.mail import HOW
from tests.browser.served import closed_port
from tests.desk.mail_server import HERE, Box, mail_server
from tests.screens.acting import named
from tests.screens.conftest import SAMPLES, words
from tests.screens.test_for_the_crew import CASE, CREW, as_crew, shown, sign
from tests.screens.test_roles import PEOPLE, claims, one_screen

SUBJECTS = {"C-104": "j.weller@example.org", "C-233": "auth0-7712"}


@pytest.fixture
def box():
    return Box()


@pytest.fixture
def signed(own):
    """A signed case; two of its three crew members are listed, one of them with an address."""
    sign(own, CASE)
    for number, subject in SUBJECTS.items():
        own.library.people.add(subject, name=number, roles=["crew"], crew_ids=[number], who="tests")
    return own


def set_up(shelf, port):
    mail = f'[mail]\nhost = "{HERE}"\nport = {port}\nsecurity = "none"\nsender = "qi@example.org"\nlink = "http://localhost:8501"\n'
    (shelf.folder / "library.toml").write_text(mail, encoding="utf-8")


def buttons(app):
    return [button.label for button in app.button if "Mail" in button.label]


def test_without_mail_one_line_says_how_it_is_set_up(signed):
    app = signed.opened("for_the_crew", CASE)
    named(app.button, "send-sheet").click().run()
    assert not app.exception
    assert [one.value for one in app.caption if "mail" in one.value.lower()] == [HOW]
    assert "mail" not in " ".join(one.value for one in app.markdown).lower()
    assert buttons(app) == []


def test_sending_the_sheet_mails_the_crew_and_says_to_whom(signed, box):
    with mail_server(box) as port:
        set_up(signed, port)
        app = signed.opened("for_the_crew", CASE)
        assert box.taken == []
        named(app.button, "send-sheet").click().run()
        assert not app.exception
        assert [one["To"] for one in box.messages] == ["j.weller@example.org"]
        said = words(app)
        assert "Mail: crew member 1 mailed on " in said
        assert "crew member 2 no address known; crew member 3 no address known." in said
        assert "weller" not in said
        assert buttons(app) == ["Mail those who had none", "Mail again"]
        app.run()
        assert len(box.taken) == 1
        named(app.button, "mail-others").click().run()
        assert len(box.taken) == 1
        signed.library.people.end("auth0-7712", who="tests")
        signed.library.people.add("a.brandt@example.org", name="A", roles=["crew"], crew_ids=["C-233"], who="tests")
        named(app.button, "mail-others").click().run()
        assert [one["To"] for one in box.messages][1:] == ["a.brandt@example.org"]
        named(app.button, "mail-again").click().run()
        assert len(box.taken) == 4
    assert "mailed" in words(app)


def test_a_reviewer_who_signed_in_may_mail_without_being_shown_an_address(signed, box):
    email, name, roles, _ = PEOPLE["reviewer"]
    signed.library.people.add(email, name=name, roles=roles, who="tests")
    with mail_server(box) as port:
        set_up(signed, port)
        app = one_screen(claims("reviewer"), "for_the_crew", case=signed.key(CASE))
        named(app.button, "send-sheet").click().run()
        assert not app.exception
    assert len(box.taken) == 1
    assert "Mail: crew member 1 mailed on " in words(app)
    assert "j.weller@" not in words(app)
    assert [line.who for line in signed.library.log_lines(did="sent") if line.what == "mail"] == [name]


def test_a_server_that_is_down_keeps_the_sheet_sent_and_is_said(signed, box):
    with closed_port() as port:
        set_up(signed, port)
        app = signed.opened("for_the_crew", CASE)
        named(app.button, "send-sheet").click().run()
    assert not app.exception
    assert signed.library.sheets(signed.key(CASE))[0].sent_at
    assert "crew member 1 the mail server cannot be reached" in words(app)
    assert buttons(app) == ["Mail those who had none"]
    with mail_server(box) as port:
        set_up(signed, port)
        named(app.button, "mail-others").click().run()
    assert "Mail: crew member 1 mailed on " in words(app)


def test_a_record_without_crew_mails_nobody(place, own, box):
    own.bring(SAMPLES / "rv-2031-0118")
    sign(own, "rv-2031-0118")
    with mail_server(box) as port:
        set_up(own, port)
        app = own.opened("for_the_crew", "rv-2031-0118")
        named(app.button, "send-sheet").click().run()
    assert not app.exception
    assert box.taken == []
    assert buttons(app) == []


def test_the_link_shows_each_their_own_sheets_and_another_s_by_no_address(signed):
    """A crew member with a sheet of their own who asks for another crew's by its address."""
    named(signed.opened("for_the_crew", CASE).button, "send-sheet").click().run()
    other = signed.bring(SAMPLES / "rv-2031-0118")
    sign(signed, "rv-2031-0118")
    signed.library.save_sheet(other, 1, signed.library.sheets(signed.key(CASE))[0].body | {"case": "of another crew"}, who="tests")
    signed.library.send_sheet(other, 1, ["C-999"], who="tests")
    signed.library.people.add(CREW["C-999"], name="stranger", roles=["crew"], crew_ids=["C-999"], who="tests")
    mine = as_crew("C-104", case=other, sheet="1")
    assert not mine.exception
    assert len(mine.selectbox(key="my-sheet").options) == len(shown(mine)) == 1
    assert "of another crew" not in shown(mine)[0]
    theirs = as_crew("C-999", case=signed.key(CASE), sheet="1")
    assert "of another crew" in shown(theirs)[0]
    assert CASE not in shown(theirs)[0]
