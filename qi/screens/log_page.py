"""The log: who opened, changed, exported, sent or deleted what, and when; whether anybody tampered with it."""

from datetime import UTC, datetime, time

import pandas as pd
import streamlit as st

from qi.exports import csv_text
from qi.library.library import Library
from qi.library.log import DID, LogLine
from qi.model.errors import QiError
from qi.screens import at_rest, cautions, pages
from qi.screens.on_desk import library, who
from qi.screens.taken import logged

PAGE = 100  # lines shown at once (our default, no source)
COLUMNS = ("number", "at", "who", "did", "case", "what", "before", "hash", "seal")


@pages.guarded("read_log")
def show() -> None:
    """Filters, the lines that fit, whether the chain is whole, and the log as a file."""
    st.header("Log", anchor=False)
    at_rest.show()
    try:
        _show(library())
    except QiError as error:
        st.error(f"The log cannot be shown. {error}")
    cautions.show()


def _show(shelf: Library) -> None:
    st.caption(
        "Each line holds the hash of the one before it, so that a line that was changed, put in or taken out is found. A case is "
        "named by its key, which says nothing of it: it stands in the address of the case's page."
    )
    _verified(shelf)
    asked = _asked(shelf)
    who_, did, case, since = asked
    count = shelf.log_count(who=who_, did=did, case=case, since=since)
    pages_ = max(1, -(-count // PAGE))
    page = int(st.number_input(f"Page of {pages_}", 1, pages_, 1, key="log-page", width=140)) - 1 if pages_ > 1 else 0
    lines = shelf.log_lines(who=who_, did=did, case=case, since=since, limit=PAGE, offset=page * PAGE)
    if not lines:
        st.caption("No line fits.")
        return
    st.dataframe(
        table(lines).drop(columns=["before", "hash", "seal"]),
        hide_index=True,
        key="log-lines",
        column_config={"at": st.column_config.DatetimeColumn("when, UTC", format="YYYY-MM-DD HH:mm:ss", width=160)},
        alt="The log, one row a line, the last one first",
    )
    banner = shelf.settings.banner
    st.download_button(
        f"These {count} lines as CSV" if count > 1 else "This line as CSV",
        logged(
            shelf, lambda: as_csv(shelf.log_lines(who=who_, did=did, case=case, since=since), banner), "log, csv", act="read_log"
        ),
        file_name="log.csv",
        mime="text/csv",
        on_click="ignore",
        type="tertiary",
        icon=":material/download:",
        key="log-csv",
    )


def table(lines: list[LogLine]) -> pd.DataFrame:
    """Lines of the log as a table."""
    return pd.DataFrame([tuple(getattr(line, name) for name in COLUMNS) for line in lines], columns=list(COLUMNS))


def as_csv(lines: list[LogLine], banner: str = "") -> str:
    """Lines of the log as CSV, with all that is needed to work the chain out anew (qi.library.log.chained).

    Parameters: lines; banner, the agency's own line.
    """
    told = table(lines).assign(at=[line.at.isoformat(timespec="microseconds") for line in lines])
    return csv_text.text(told, banner=banner)


def _asked(shelf: Library) -> tuple[str, str, str, datetime | None]:
    """What the person looks for: who, what was done, key of the case, since when."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        name = st.selectbox("Who", ["anybody", *shelf.log_names()], key="log-who", width=200)
        did = st.selectbox("Did", ["anything", *DID], key="log-did", width=180)
        key = st.text_input("Case", key="log-case", placeholder="its key", max_chars=40, width=180)
        day = st.date_input("Since", value=None, key="log-since", width=160)
    since = datetime.combine(day, time(), UTC) if day else None
    return "" if name == "anybody" else name, "" if did == "anything" else did, key.strip(), since


def _verified(shelf: Library) -> None:
    """Verifying is asked for: it reads every line."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        kept = st.text_input("Hash kept elsewhere", key="log-kept", placeholder="of a line that was the last one", width=420)
        is_asked = st.button("Verify the log", key="log-verify")
    if not is_asked:
        return
    number, head = shelf.log_head()
    broken = shelf.verify_log(seen=kept)
    shelf.log("verified", who=who(), what="broken" if broken else "whole")
    for sentence in broken[:PAGE]:
        st.error(sentence)
    if not broken:
        st.success(f"All {number} lines are as they were written.")
    for sentence in shelf.log_accepted():
        st.caption(sentence)
    st.write("Hash of the last line, to be kept where nobody who can reach the library can change it:")
    st.code(head, language=None)
