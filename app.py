"""Arrest review: names the screens and starts Streamlit."""

import streamlit as st

from qi.screens import bring_in, clocks, pages, protocol_page, walkthrough, worklist

st.set_page_config(page_title="Arrest review", page_icon=walkthrough.ICON, layout="wide")
st.navigation(
    pages.are(
        {
            "worklist": st.Page(worklist.show, title="Worklist", url_path="worklist", icon=":material/checklist:", default=True),
            "bring-in": st.Page(bring_in.show, title="Bring in", url_path="bring-in", icon=":material/upload_file:"),
            "walkthrough": st.Page(walkthrough.show, title="Walkthrough", url_path="walkthrough", icon=":material/timeline:"),
            "clocks": st.Page(clocks.show, title="Clocks", url_path="clocks", icon=":material/schedule:"),
            "protocol": st.Page(protocol_page.show, title="Protocol", url_path="protocol", icon=":material/rule:"),
        }
    )
).run()
