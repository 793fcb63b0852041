"""Two or three parts of a page side by side, under one another where the page is narrow."""

from typing import Any

import streamlit as st

NARROWEST = 380  # pixels that a part needs before it goes under the other


def beside(count: int, *, narrowest: int = NARROWEST) -> list[Any]:
    """So many cells of equal width, for `with`.

    Parameters: count; narrowest, the width below which they go under one another [pixels].
    """
    grid = st.grid(count, min_column_width=narrowest, gap="medium")
    return [grid.cell() for _ in range(count)]
