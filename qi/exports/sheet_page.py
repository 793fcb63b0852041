"""A feedback sheet as one web page: nothing in it asks another host for anything, no script, prints on paper as it stands."""

from base64 import b64encode
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

_CSS = """
.crew-sheet { font: 16px/1.45 "DejaVu Sans", Verdana, system-ui, sans-serif; color: #1d252c; background: #fff; padding: 1rem 1.4rem;
  max-width: 60rem; margin: 0 auto; box-sizing: border-box; color-scheme: light; }
.crew-sheet h1 { font-size: 1.5rem; margin: .3rem 0; padding: 0; color: inherit; font-weight: 700; }
.crew-sheet h2 { font-size: 1.1rem; margin: 1.2rem 0 .3rem; padding: 0; color: inherit; font-weight: 700; }
.crew-sheet ul { margin: .2rem 0; padding-left: 1.2rem; } .crew-sheet li { margin: .2rem 0; font-size: inherit; }
.crew-sheet p { margin: .3rem 0; }
.crew-sheet .banner { border: 1px solid #1d252c; padding: .3rem .6rem; text-align: center; font-weight: 600; }
.crew-sheet .facts, .crew-sheet .how, .crew-sheet .by, .crew-sheet .cautions { color: #4b5660; font-size: .85rem; }
.crew-sheet .cautions h2 { font-size: 1rem; }
.crew-sheet .one { border: 1px solid #d5dbe1; border-left: 4px solid #1d252c; padding: .1rem .8rem .6rem; margin: 1rem 0; }
.crew-sheet .one h2 { margin-top: .5rem; }
.crew-sheet figure { margin: .4rem 0; } .crew-sheet figure > * { width: 100%; height: auto; display: block; }
.crew-sheet table { border-collapse: collapse; width: 100%; }
.crew-sheet th, .crew-sheet td { text-align: left; vertical-align: top; padding: .3rem .6rem .3rem 0; border: 0;
  border-bottom: 1px solid #d5dbe1; }
.crew-sheet tbody th { white-space: nowrap; }
.crew-sheet footer { border-top: 1px solid #d5dbe1; margin-top: 1.2rem; padding-top: .4rem; }
@media (max-width: 36rem) { .crew-sheet { font-size: 15px; padding: .6rem; } .crew-sheet figure { overflow-x: auto; }
  .crew-sheet figure > * { min-width: 40rem; } }
@media print { .crew-sheet { font-size: 9.5pt; line-height: 1.3; padding: 0; max-width: none; }
  .crew-sheet h1 { font-size: 15pt; } .crew-sheet h2 { font-size: 11pt; margin-top: 8pt; break-after: avoid; }
  .crew-sheet .one, .crew-sheet figure, .crew-sheet tr { break-inside: avoid; }
  .crew-sheet .facts, .crew-sheet .how, .crew-sheet .by, .crew-sheet .cautions { font-size: 8pt; } }
"""
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"


def page(data: Mapping[str, Any], picture: str) -> str:
    """The sheet as a page.

    Parameters: data, as the template `sheet` of qi.exports.printed takes it, with its paper; picture, the case as SVG text of our
    own making.
    Returns: HTML text.
    """
    inner = _content(data, picture)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><meta name="robots" content="noindex">'
        f"<title>{escape(data['title'])}</title><style>{_style(data)}</style></head>\n<body>{inner}</body></html>\n"
    )


def part(data: Mapping[str, Any], picture: str, alt: str) -> str:
    """The sheet to stand inside another page, which lets no SVG and no frame in: the picture is an image in the text itself.

    Parameters: data and picture, see page; alt, the words that stand for the picture.
    Returns: HTML text with its style, which holds inside the sheet alone.
    """
    packed = b64encode(picture.encode()).decode()
    image = f'<img src="data:image/svg+xml;base64,{packed}" alt="{escape(alt)}">'
    return f"<style>{_style(data)}</style>{_content(data, image)}"


def _style(data: Mapping[str, Any]) -> str:
    """How the sheet looks, and the paper that it is printed on."""
    return f"{_CSS}@media print {{ @page {{ size: {data['paper']}; margin: 14mm; }} }}\n"


def _content(data: Mapping[str, Any], picture: str) -> str:
    """What stands on the page, without its head."""
    heads = data["sections"]
    banner = f'<p class="banner">{escape(data["banner"])}</p>' if data["banner"] else ""
    method = f'<p class="how">{escape(data["method"])}</p>'
    when = f'<p class="facts">{escape(data["compared_when"])}</p>' if data["compared_when"] else ""
    parts = [
        '<div class="crew-sheet">',
        banner,
        f'<main><h1>{escape(data["title"])}</h1><p class="facts">{escape(data["case_line"])}</p>',
        _part(heads["went_well"], _items(data["went_well"])),
        f'<div class="one">{_part(heads["work_on"], _paragraphs(data["work_on"]) + method)}</div>' if data["work_on"] else "",
        _part("The case in one picture", f"<figure>{picture}</figure>"),
        _part(heads["errors"], _table(data["errors"])),
        _part(heads["compared"], when + _items(data["compared"]) if data["compared"] else ""),
        _part(heads["not_measured"], _items(data["not_measured"])),
        _part(heads["questions"], _items(data["questions"])),
        _rests(data),
        "</main>",
        f'<footer class="cautions"><h2>What this sheet can and cannot say</h2>{_plain(data["cautions"])}</footer></div>',
    ]
    return "\n".join(part for part in parts if part)


def _part(head: str, inner: str) -> str:
    return f"<section><h2>{escape(head)}</h2>{inner}</section>" if inner else ""


def _said(row: Mapping[str, Any]) -> str:
    mark = ' <span class="by">(the reviewer’s words)</span>' if row["by_reviewer"] else ""
    return f"{escape(row['text'])}{mark}"


def _items(rows: Sequence[Mapping[str, Any]]) -> str:
    return f"<ul>{''.join(f'<li>{_said(row)}</li>' for row in rows)}</ul>" if rows else ""


def _paragraphs(rows: Sequence[Mapping[str, Any]]) -> str:
    return "".join(f"<p>{_said(row)}</p>" for row in rows)


def _table(rows: Sequence[Mapping[str, Any]]) -> str:
    lines = "".join(f'<tr><th scope="row">{escape(row["name"])}</th><td>{_said(row)}</td></tr>' for row in rows)
    return (
        f'<table><thead><tr><th scope="col">What</th><th scope="col">What was seen</th></tr></thead><tbody>{lines}</tbody></table>'
    )


def _rests(data: Mapping[str, Any]) -> str:
    """Folded away: of each sentence, the measures that it rests on."""
    rows = [(head, row) for name, head in data["sections"].items() for row in data[name]]
    lines = "".join(f"<li>{escape(head)}: “{escape(row['text'])}” {escape(row['rests'])}.</li>" for head, row in rows)
    return f'<details class="how"><summary>What each sentence rests on</summary><ul>{lines}</ul></details>'


def _plain(texts: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ul>"
