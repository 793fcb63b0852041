"""A chart as a file of its own: it opens in any browser, without a network, and still says its numbers when pointed at."""

from collections.abc import Sequence
from html import escape

import plotly.graph_objects as go

WIDTH = 960  # of the drawing [px]
_CONFIG = {"displaylogo": False, "modeBarButtons": [["toImage"]], "toImageButtonOptions": {"format": "svg"}}
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title>
<style>body {{ font: 15px/1.45 sans-serif; color: #1d252c; max-width: {width}px; margin: 2rem auto; padding: 0 1rem }}
h1 {{ font-size: 1.3rem }}</style></head>
<body><h1>{title}</h1>
{chart}
{told}
</body></html>
"""


def page(figure: go.Figure, title: str, told: Sequence[str]) -> bytes:
    """A page with one chart, its script within, and what must stand beside it.

    Parameters: figure; title; told, sentences under it: how it was made, the cautions, the agency's banner; none of them is markup.
    Returns: HTML in UTF-8, about 5 MB, for the drawing library is in it.
    """
    drawn = go.Figure(figure).update_layout(template="plotly_white", width=WIDTH, paper_bgcolor="white", plot_bgcolor="white")
    chart = drawn.to_html(full_html=False, include_plotlyjs=True, config=_CONFIG)
    lines = "\n".join(f"<p>{escape(line)}</p>" for line in told if line.strip())
    return _PAGE.format(title=escape(title), width=WIDTH, chart=chart, told=lines).encode()
