"""What the pauses were for: ranked by seconds and by count, with the cases affected and what is not known."""

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd
import streamlit as st

from qi.charts import pause_causes as drawn
from qi.desk.over_time import Shown
from qi.model.errors import NotMeasurable
from qi.model.words import many
from qi.screens import caches, over_tables
from qi.screens.over_exports import Shared
from qi.screens.theme import is_dark
from qi.trends import cohort
from qi.trends import columns_used as use
from qi.trends.averages import TIME_POOLED
from qi.trends.pause_causes import BY_COUNT, BY_SECONDS, CAUSE, COUNTED, SECONDS, Ranking, both, differing

COLUMNS: tuple[str, ...] = ()
_TOGETHER = {BY_SECONDS: TIME_POOLED, BY_COUNT: COUNTED}
_OF_A_LENGTH = (
    "Only for use inside the agency while a least length is set: side by side, two lengths would tell of few cases. The table of "
    "all pauses can be shared."
)
_NAMES = {
    "cause": "cause",
    "seconds": "seconds",
    "count": "pauses",
    "cases": "cases",
    "share": "share",
    "cumulative": "added up",
    "largest_case": "largest case alone",
}


def show(shown: Shown, table: pd.DataFrame) -> None:
    """The two rankings, and what they say.

    Parameters: shown, the folders of the cohort; table, filtered cohort table with key, excluded and measurable.
    """
    cases = use.included(table)
    if cases.empty:
        st.write("There is no case whose pauses could be looked at.")
        return
    least = st.number_input("Pauses of at least (s)", 0.0, 60.0, 0.0, 1.0, format="%.0f", key="pauses-least", width=200)
    pauses = _pauses(shown.stamp, shown.folders)
    pauses = pauses[(pauses[use.KEY].isin(cases[use.KEY]) & (pauses[SECONDS] >= least)).to_numpy()]
    try:
        seconds, count = both(pauses)
    except NotMeasurable as why:
        st.write(f"Not drawn: {why}." if not least else f"No pause of {least:g} s or more was seen.")
        return
    st.write(seconds.words())
    figure = partial(drawn.figure, seconds.rows, count.rows)
    st.plotly_chart(
        figure(dark=is_dark()),
        key="pause-causes",
        config={"displayModeBar": False},
        alt=f"{seconds.words()} {count.words()}",
    )
    looked = f"{many(len(cases), 'case')} {'is' if len(cases) == 1 else 'are'} looked at"
    st.caption(
        f"{looked}, {int(cases[use.MEASURABLE].sum()):,} of them measurable, {seconds.cases:,} with such a pause. At the left of "
        f"{seconds.seconds:,.0f} s in all, at the right of {many(count.count, 'pause')}. Other and unknown stand last, hatched; "
        f"they are not ranked. By seconds: {TIME_POOLED[0].lower()}{TIME_POOLED[1:]} By count: every pause counts once."
    )
    if apart := differing(seconds, count):
        st.caption(f"The two orders differ. {' '.join(one[0].upper() + one[1:] for one in apart)}")
    _table("seconds", seconds, least, figure)
    _table("count", count, least, figure)


def _table(word: str, found: Ranking, least: float, figure: Callable[[], Any]) -> None:
    held = f"Pauses of at least {least:g} s. " if least else ""
    over_tables.show(
        f"Causes of pauses by {word}",
        found.rows.assign(cause=found.rows["cause"].astype("str").str.replace("_", " ")),
        says=f"{held}{found.words()}",
        shared=Shared(f"Causes of all pauses by {word}. {_TOGETHER[found.ranked_by]}", why_not=_OF_A_LENGTH if least else ""),
        key=f"pause-causes-{word}",
        picture=figure,
        named=_NAMES,
        percent=("share", "cumulative", "largest_case"),
        digits=0,
    )


@caches.of_cases
@st.cache_resource(max_entries=2, show_spinner="Reading the pauses …")
def _pauses(stamp: str, _folders: tuple[Path, ...]) -> pd.DataFrame:
    """Key, length and cause of every pause, keys and causes as categories, in which they are counted quickly."""
    held = [folder for folder in _folders if (folder / "cohort.json").is_file()]
    read = [cohort.read_events(folder, "pauses", [use.KEY, SECONDS, CAUSE]) for folder in held]
    whole = read[0] if len(read) == 1 else pd.concat([one.astype({CAUSE: "str"}) for one in read], ignore_index=True)
    return whole.astype({use.KEY: "category", CAUSE: "category"})
