"""Arrest review: names the screens, starts Streamlit, and puts the gate before it."""

import streamlit as st

from qi.screens import (
    bring_in,
    clocks,
    conference,
    for_the_crew,
    kept_case,
    log_page,
    my_sheets,
    over_time,
    pages,
    people,
    protocol_page,
    walkthrough,
    waveform,
    worklist,
)
from qi.serving import start

PAGES = [  # name and address, title, symbol, screen, act it is for, what names its case; the first is the app's first page
    pages.Named("worklist", "Worklist", ":material/checklist:", worklist.show, "see_cases"),
    pages.Named("bring-in", "Bring in", ":material/upload_file:", bring_in.show, "bring_in"),
    pages.Named("walkthrough", "Walkthrough", ":material/timeline:", walkthrough.show, "see_own_case", kept_case.OF_ONE),
    pages.Named("clocks", "Clocks", ":material/schedule:", clocks.show, "review", kept_case.OF_ONE),
    pages.Named("over-time", "Over time", ":material/query_stats:", over_time.show, "see_trends"),
    pages.Named("for-the-crew", "For the crew", ":material/forum:", for_the_crew.show, "send_feedback", kept_case.OF_ONE),
    pages.Named("my-sheets", "My sheets", ":material/mail:", my_sheets.show, "read_own_sheets"),
    pages.Named("conference", "Conference", ":material/present_to_all:", conference.show, "teach", kept_case.OF_SEVERAL),
    pages.Named("protocol", "Protocol", ":material/rule:", protocol_page.show, "see_protocol"),
    pages.Named("log", "Log", ":material/history:", log_page.show, "read_log"),
    pages.Named("people", "People", ":material/group:", people.show, "manage_people"),
]

if __name__ == "__main__":  # run by Streamlit, once for each answer to a browser
    st.set_page_config(page_title="Arrest review", page_icon=walkthrough.ICON, layout="wide")
    pages.navigate(PAGES)
else:  # taken in once, by the server
    app = st.App(__file__, middleware=start.middleware(early={"walkthrough": waveform.scripts()}), lifespan=start.lifespan)
