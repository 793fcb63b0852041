"""Mail to the crew on the page of a sheet: sent with it, what came of it for each crew number, and sent again where asked."""

import streamlit as st

from qi.desk import delivery, sheets
from qi.library.library import Library
from qi.library.mail import HOW
from qi.library.mailed import MailKept
from qi.library.sheets import KeptSheet
from qi.screens import fields
from qi.screens.on_desk import who


def about(shelf: Library) -> None:
    """Say in one line what mail does here, or how it is set up."""
    if shelf.settings.mail is None:
        st.caption(HOW)
    else:
        st.caption("Each of the crew whose address is on the list of people gets a mail with a link and nothing of the case.")


def mail(shelf: Library, sheet: KeptSheet, *, again: bool = False) -> None:
    """Mail the crew of a sheet that was sent; nothing where mail is not set up, or the record names no crew.

    Parameters: shelf; sheet; again, to those as well who had a message about it.
    Raises: see qi.desk.delivery.send.
    """
    if shelf.settings.mail is not None and sheet.crew:
        with st.spinner("Mailing …"):
            delivery.send(shelf, sheet.case_key, sheet.number, who=who(), at=shelf.now(), again=again)


def show(shelf: Library, sheet: KeptSheet) -> str:
    """What came of mail about a sheet, nobody named, and the ways to try again.

    Parameters: shelf; sheet, which was sent.
    Returns: "again" or "others" where a button asks for it; empty where none does, or mail is not set up.
    """
    if shelf.settings.mail is None or not sheet.crew:
        return ""
    others, again = (fields.of_case(name, sheet.case_key, sheet.number) for name in ("mail-others", "mail-again"))
    kept, names = shelf.mail_kept(sheet.case_key, sheet.number), sheets.masked(sheet)
    st.caption("Mail: " + "; ".join(f"{names[crew]} {_words(one)}" for crew, one in kept.items()) + ".")
    asked = ""
    with st.container(horizontal=True, gap="small"):
        if not all(one.mailed_at for one in kept.values()):
            asked = "others" if st.button("Mail those who had none", key=others) else asked
        if any(one.mailed_at for one in kept.values()):
            asked = "again" if st.button("Mail again", key=again) else asked
    return asked


def _words(one: MailKept) -> str:
    went = f"mailed on {one.mailed_at:%d %b %Y, %H:%M} UTC" if one.mailed_at else ""
    if one.trouble:
        return f"{went}, the last try failed: {one.trouble}" if went else one.trouble
    return went or "not mailed yet"
