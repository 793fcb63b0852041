"""Arrest review: names the screens and starts Streamlit."""

import streamlit as st

from qi.screens import protocol_page, walkthrough

st.set_page_config(page_title="Arrest review", page_icon=walkthrough.ICON, layout="wide")
st.navigation(
    [
        st.Page(walkthrough.show, title="Walkthrough", url_path="walkthrough", icon=":material/timeline:", default=True),
        st.Page(protocol_page.show, title="Protocol", url_path="protocol", icon=":material/rule:"),
    ]
).run()
