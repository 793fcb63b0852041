"""The table behind a chart of the agency, to be looked at and taken out."""

from collections.abc import Callable, Collection, Mapping
from typing import Any

import pandas as pd
import streamlit as st

from qi.screens import over_exports

_MOST_ROWS = 12


def show(
    name: str,
    table: pd.DataFrame,
    *,
    says: str,
    shared: over_exports.Shared | None = None,
    key: str,
    named: Mapping[str, str],
    percent: Collection[str] = (),
    digits: int = 1,
    picture: Callable[[], Any] | None = None,
) -> None:
    """The table in an expander, with a menu to take it out.

    Parameters: name, of the file and of what it holds; table; says, how its numbers were put together; shared, how it goes out for
    sharing, None where the table itself does, with the same words, since no number of patients is in them; key, of the widgets;
    named, what a person reads for each column that is shown; percent, columns of shares 0 to 1; digits behind the point of other
    numbers; picture, what draws the chart that the table stands behind, on light ground.
    """
    with st.expander(f"Table: {name}"):
        st.dataframe(
            table[list(named)],
            hide_index=True,
            key=f"{key}-table",
            height=min(38 + 35 * max(1, len(table)), 38 + 35 * _MOST_ROWS),
            column_config={column: _config(table[column], words, column in percent, digits) for column, words in named.items()},
            alt=name,
        )
        over_exports.offer(name, table, says=says, key=key, shared=shared or over_exports.Shared(says), picture=picture)


def _config(values: pd.Series, words: str, share: bool, digits: int) -> Any:  # noqa: ANN401, FBT001 - what Streamlit's own makers give
    if share:
        return st.column_config.NumberColumn(words, format="percent")
    if pd.api.types.is_float_dtype(values):
        return st.column_config.NumberColumn(words, format=f"%.{digits}f")
    return st.column_config.Column(words)
