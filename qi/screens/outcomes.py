"""Later facts: hospital outcomes as a CSV by case number, joined to the cases; what did not match is listed."""

import pandas as pd
import streamlit as st

from qi.library.library import Library
from qi.model.errors import QiError, UnreadableFile
from qi.screens.on_desk import who


def show(shelf: Library) -> None:
    """The file, what came of it, and the files before."""
    st.subheader("Outcomes from the hospital", anchor=False)
    st.caption(
        "A CSV with a column “case” (the agency's case number) and any of any_rosc, sustained_rosc, survived_event, "
        "survived_to_discharge, cpc, mrs. They are joined to the cases and logged; a process number never predicts them."
    )
    given = st.file_uploader("Outcomes", type="csv", key="outcomes", label_visibility="collapsed")
    if given is not None and st.button("Join them to the cases", key="join"):
        try:
            done = shelf.join_outcomes(_text(given.getvalue(), given.name), who=who(), name=given.name)
            st.write(f"{done.matched} of {done.rows} rows were joined to a case; {done.written} facts are new.")
        except QiError as error:
            st.error(str(error))
    _before(shelf)


def _text(content: bytes, name: str) -> str:
    """The text of a file that was handed over.

    Raises: UnreadableFile where it is not UTF-8.
    """
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnreadableFile(name, f"byte {error.start}: not UTF-8; save it as CSV UTF-8") from error


def _before(shelf: Library) -> None:
    imports = shelf.outcome_imports()
    if not imports:
        return
    rows = [
        {
            "file": one.file,
            "read in": one.imported_at,
            "by": one.who,
            "rows": one.rows,
            "joined": one.matched,
            "to look at": len(one.mismatches),
        }
        for one in imports
    ]
    st.dataframe(pd.DataFrame(rows), hide_index=True, key="imports")
    last = imports[0]
    if last.mismatches:
        st.markdown(f"**Not simply joined, from {last.file}**")
        table = pd.DataFrame([vars(one) for one in last.mismatches])
        st.dataframe(table, hide_index=True, key="mismatches", column_config={"what": st.column_config.TextColumn(width="large")})
