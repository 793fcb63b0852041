"""The limits in force: each with its source, its edition, and how far it was checked."""

from typing import Any

import pandas as pd
import streamlit as st

from qi import pipeline
from qi.model.review import Protocol
from qi.model.words import asked
from qi.screens import cautions, pages


@pages.guarded("see_protocol")
def show() -> None:
    """One protocol, its limits and its definitions."""
    st.header("Protocol", anchor=False)
    name = st.selectbox("Protocol", pipeline.protocol_names(), key="protocol", bind="query-params")
    one = pipeline.named_protocol(name, [])
    st.write(f"{one.title}. Edition: {one.edition}.")
    if not one.judged:
        st.write("Cases under this protocol are measured and not judged.")
    st.subheader("Limits and goals", anchor=False)
    st.dataframe(
        _limits(one), hide_index=True, key="limits", column_config=_wide("limit from", "goal from"), height=38 + 35 * len(one.rules)
    )
    st.subheader("Definitions", anchor=False)
    st.dataframe(
        _definitions(one),
        hide_index=True,
        key="definitions",
        column_config=_wide("definition", "source"),
        height=38 + 35 * len(one.definitions),
    )
    st.caption(
        "An agency writes its own in a file of its own (extends = one of these) in a folder “protocols” beside its case folders; "
        "DEVELOPERS.md shows one. A misspelt entry is refused."
    )
    cautions.show()


def _wide(*names: str) -> dict[str, Any]:
    return {name: st.column_config.TextColumn(width="large") for name in names}


def _limits(one: Protocol) -> pd.DataFrame:
    labels, units = pipeline.labels(), pipeline.units()
    rows = [
        {
            "measure": labels[id_],
            "limit": asked(rule.limit, units[id_]) if rule.limit else "",
            "limit from": rule.limit.source if rule.limit else "",
            "goal": asked(rule.goal, units[id_]) if rule.goal else "",
            "goal from": rule.goal.source if rule.goal else "",
        }
        for id_, rule in one.rules.items()
    ]
    return pd.DataFrame(rows)


def _definitions(one: Protocol) -> pd.DataFrame:
    rows = [
        {
            "definition": definition.meaning,
            "value": _said(definition.value),
            "unit": "" if definition.unit == "1" else definition.unit,
            "checked": definition.checked,
            "edition": definition.edition,
            "source": definition.source,
        }
        for definition in one.definitions.values()
    ]
    return pd.DataFrame(rows)


def _said(value: object) -> str:
    if isinstance(value, tuple):
        return " to ".join(f"{part:g}" for part in value)
    if isinstance(value, dict):
        return ", ".join(f"{key.replace('_', ' ')} {part:g}" for key, part in value.items())
    return f"{value:g}" if isinstance(value, float) else str(value)
