"""Take out: the menu beside a chart or table, and what its files hold, as AppTest opens it."""

import io
import re

import pandas as pd
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from qi.model.cautions import SHORT
from qi.screens import over_exports, over_parts
from qi.trends.hidden_cells import MOST_HIDDEN

PAGE = """
import pandas as pd
from qi.screens import over_exports
table = pd.DataFrame({columns})
shared = over_exports.Shared("Every case counts once.")
over_exports.offer("Alive at discharge", table, says="Three of 16 were recorded.", key="t", shared=shared, picture=lambda: None)
"""
COUNTS = {"group": ["1", "2", "3"], "count": [4, 20, 30], "n": [40, 60, 70], "missing": [0, 0, 0], "shown": ["plain"] * 3}


def opened(columns):
    app = AppTest.from_string(PAGE.format(columns=columns), default_timeout=60).run()
    assert not app.exception
    return app


def said(app):
    return " ".join(one.value for one in app.caption)


def test_two_files_and_a_choice_for_sharing():
    app = opened(COUNTS)
    assert [one.label for one in app.get("download_button")] == ["CSV", "Parquet", "Picture"]
    assert "inside the agency" in said(app)
    app.toggle(key="take-out-sharing-t").set_value(True).run()
    assert f"1 to {MOST_HIDDEN} patients" in said(app)
    assert "The picture as a page is not for sharing" in said(app)
    assert "can be subtracted, so share one" in said(app)
    assert len(app.get("download_button")) == 2


@pytest.mark.parametrize("columns", [{"key": ["a"], "compression_fraction": [0.8]}, {**COUNTS, "seconds": [1.0, 2.0, 3.0]}])
def test_a_table_that_cannot_be_made_safe_is_not_offered_for_sharing(columns):
    app = opened(columns)
    assert not app.toggle
    assert "Only for use inside the agency" in said(app)
    assert len(app.get("download_button")) == 3


def test_the_shared_file_holds_no_small_cell_and_its_cautions(monkeypatch):
    """The file is made when asked for: what is handed to the button is called here."""
    files = {}
    monkeypatch.setattr(st, "download_button", lambda label, made, **_: files.update({label: made()}))
    monkeypatch.setattr(st, "toggle", lambda *_, **__: True)
    shared = over_exports.Shared("Every case counts once.")
    over_exports.offer("Alive at discharge", pd.DataFrame(COUNTS), says="In 4 of 40 at station 1.", key="t", shared=shared)
    text = files["CSV"].decode()
    assert "4 of 40" not in text
    assert b"4 of 40" not in files["Parquet"]
    assert text.startswith(f"# {SHORT}\n# Alive at discharge\n# Every case counts once.\n# Small cells hidden")
    rows = pd.read_csv(io.BytesIO(files["CSV"]), comment="#")
    assert rows["count"].isna().tolist() == [True, True, False]
    assert rows["hidden"].fillna("").str.contains("count").tolist() == [True, True, False]
    assert files["Parquet"][:4] == b"PAR1"


def test_the_report_to_the_board_is_offered_in_both_ways():
    """Made when asked for: opening the page needs no library for it."""
    script = "from qi.desk.over_time import Which\nfrom qi.screens import over_exports\n"
    app = AppTest.from_string(f"{script}over_exports.offer_board(None, Which(), key='b')\n", default_timeout=60).run()
    assert not app.exception
    assert [one.label for one in app.get("download_button")] == ["Two pages, PDF"]
    assert SHORT in said(app)
    app.toggle(key="board-sharing-b").set_value(True).run()
    assert f"1 to {MOST_HIDDEN} patients" in said(app)


CHART = """
import pandas as pd
from qi.desk.charted import charted
from qi.desk.shared import by_quarter
from qi.trends.baselines import NO_PLAN
from qi.screens import over_exports, over_parts
from qi.trends.series import Subject, View
from tests.trends.cases import case, table
cases = table(*(case(day=f"2031-0{{1 + i % 6}}-1{{i % 9}}", longest_pause_s=5.0 + i) for i in range(40)))
one = charted(cases, Subject("longest_pause_s", "Longest pause", "s"), View(sort="{sort}"))
over_exports.offer_chart(one, key="c", quarters=lambda: by_quarter(cases, one, NO_PLAN))
"""


def test_a_chart_of_single_cases_says_why_it_is_not_for_sharing():
    app = AppTest.from_string(CHART.format(sort="case values"), default_timeout=60).run()
    assert not app.exception
    assert not app.toggle
    assert "a point of this chart is a single case" in said(app)
    assert [one.label for one in app.get("download_button")] == ["SVG"]
    app = AppTest.from_string(CHART.format(sort="median of cases"), default_timeout=60).run()
    assert [one.key for one in app.toggle] == ["take-out-sharing-c"]
    app.toggle[0].set_value(True).run()
    assert not app.exception
    assert "Quarters alone are shared" in said(app)


COUNTED = re.compile(r"\d[\d,]*(\s(of\s)?(\w+\s)?(case|call|arrest|patient|pause)s?\b|\sof\s\d)|One case alone")


@pytest.mark.parametrize("part", ["Measures", *over_parts.PARTS])
def test_no_words_of_a_file_for_sharing_count_patients(shelf, monkeypatch, part):
    """“Recorded: 15 of 16” stood over a table whose months were all hidden."""
    offered = {}
    monkeypatch.setattr(
        over_exports, "offer", lambda _, table, *, says, key, shared, **__: offered.update({key: (table, says, shared)})
    )
    app = shelf.opened("over_time", part=part)
    assert not app.exception
    assert offered
    told = {key: made()[1] for key, (table, _, shared) in offered.items() if (made := shared.of(table))}
    assert not {key: words for key, words in told.items() if COUNTED.search(words)}
    if part in ("Pauses", "Recording"):
        assert any(COUNTED.search(says) for _, says, _ in offered.values())
        assert told


def test_pauses_of_a_least_length_alone_are_not_shared(shelf, monkeypatch):
    """Cases with a pause of 5 s or more, less those with one of 6 s or more, are few."""
    offered = []
    monkeypatch.setattr(over_exports, "offer", lambda _, table, *, shared, **__: offered.append(shared.of(table)))
    app = shelf.opened("over_time", part="Pauses")
    assert all(offered)
    offered.clear()
    next(one for one in app.number_input if one.key == "pauses-least").set_value(5.0).run()
    assert offered
    assert not any(offered)


def test_what_is_shared_of_each_part_of_the_page(shelf, monkeypatch):
    """Every table goes out with small cells hidden, but for a landmark, which can be set to any minute."""
    offered = {}
    monkeypatch.setattr(
        over_exports, "offer", lambda name, table, *, shared, **__: offered.update({name: (table, shared, shared.of(table))})
    )
    for part in ("Where", "Outcomes", "Bundles"):
        assert not shelf.opened("over_time", part=part).exception
    not_shared = [name for name, (_, _, made) in offered.items() if made is None]
    assert len(not_shared) == 1
    assert "cases still in arrest" in not_shared[0]
    assert "a landmark can be set to any minute" in offered[not_shared[0]][1].why_not
    for name, (_, _, made) in offered.items():
        if made is not None:
            rows = made()[0]
            assert len(rows), name
            for column in rows.columns.intersection(["n", "count", "observed"]):
                known = rows[column].dropna()
                assert ((known == 0) | (known > MOST_HIDDEN)).all(), name
