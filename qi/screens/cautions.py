"""The foot of every page: the short caution, the long one a click away."""

import streamlit as st

from qi.model.cautions import LONG, SHORT


def show() -> None:
    """Write the cautions."""
    st.space("small")
    with st.container(border=True):
        st.caption(SHORT)
        with st.expander("What this review can and cannot say"):
            for sentence in LONG:
                st.markdown(f"- {sentence}")
