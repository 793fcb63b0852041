"""A chart as a page of its own."""

import re

import plotly.graph_objects as go

from qi.charts.as_file import page

FIGURE = go.Figure({"data": [{"type": "bar", "x": ["a <b>", "c"], "y": [3, 41]}]})


def text_of(page_bytes):
    """What stands on the page outside its scripts."""
    return re.sub(r"<script.*?</script>", "", page_bytes.decode(), flags=re.DOTALL)


def test_the_page_holds_chart_title_and_sentences():
    made = page(FIGURE, "Pauses & causes", ["By month.", "Not for treating a patient.", ""])
    assert "<title>Pauses &amp; causes</title>" in text_of(made)
    assert text_of(made).count("<p>") == 2
    assert '"y":[3,41]' in made.decode()


def test_nothing_on_the_page_comes_from_another_host():
    made = text_of(page(FIGURE, "Title", ["x"]))
    assert not re.findall(r"(?:src|href)\s*=\s*[\"']?(?:https?:)?//", made)
    assert "cdn" not in made


def test_words_are_never_markup():
    made = text_of(page(FIGURE, "<script>alert(1)</script>", ["<img src=x onerror=alert(1)>"]))
    assert "<img" not in made
    assert "&lt;script&gt;" in made
