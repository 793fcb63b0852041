"""Printed pages: tagged PDF read again by an independent library (pypdf), fonts inside, text as data, the same each time."""

import io
import struct
from datetime import UTC, datetime

import pypdf
import pytest

from qi.exports import glyphs, printed
from qi.model.cautions import SHORT
from qi.model.errors import QiError
from qi.model.paper import A4, LETTER, PAPERS

# ISO 216 and 8.5 in by 11 in (MDN on the `size` descriptor of CSS, read).
SIZES_MM = {A4: (210.0, 297.0), LETTER: (215.9, 279.4)}
SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 40" width="200" height="40"><title>A bar</title>'
    '<desc>One bar of 20.</desc><rect width="20" height="20"/><text x="30" y="20" font-size="10">twenty</text></svg>'
)
TRIAL = """#import "common.typ": *
#show: page-of
= #data.title
#data.text
#if "one" in data.pictures { picture("one") }
#table-of(("what", "how many"), (("bars", "1"),))
"""


@pytest.fixture(autouse=True)
def trial(tmp_path, monkeypatch):
    """A folder of templates with one of the tests' own beside the shared parts."""
    (tmp_path / "common.typ").write_bytes((printed.TEMPLATES / "common.typ").read_bytes())
    (tmp_path / "trial.typ").write_text(TRIAL, encoding="utf-8")
    (tmp_path / "broken.typ").write_text("#nosuch", encoding="utf-8")
    monkeypatch.setattr(printed, "TEMPLATES", tmp_path)


def made(text="Plain.", pictures=None, **named):
    data = {"title": "A title", "text": text} | named.pop("data", {})
    return pypdf.PdfReader(io.BytesIO(printed.pdf("trial", data, pictures or {}, **named)))


def size_of(page):
    """Width and height of a page [mm]; 1 pt is 1/72 in (ISO 32000-1, 8.3.2.3)."""
    return tuple(round(float(side) / 72 * 25.4, 1) for side in (page.mediabox.width, page.mediabox.height))


def inside(page):
    """Whether every piece of text begins on the page and within 5 mm of no edge of it (ISO 32000-1, 9.4.4)."""
    places, edge = [], 5 / 25.4 * 72

    def note(text, page_matrix, text_matrix, font, size):
        if text.strip():
            a, b, c, d, e, f = page_matrix
            x, y = text_matrix[4:]
            places.append((a * x + c * y + e, b * x + d * y + f))

    page.extract_text(visitor_text=note)
    width, height = page.mediabox.width, page.mediabox.height
    return bool(places) and all(edge < x < width - edge and edge < y < height - edge for x, y in places)


def elements(node, found=None):
    """Every structure element of a tagged PDF (ISO 32000-1, 14.7.2)."""
    found = [] if found is None else found
    node = node.get_object()
    if isinstance(node, list):
        for one in node:
            elements(one, found)
    elif isinstance(node, dict):
        if "/S" in node:
            found.append(node)
        if "/K" in node and not isinstance(node["/K"].get_object(), int):
            elements(node["/K"], found)
    return found


def test_the_page_is_tagged_and_the_picture_has_words():
    reader = made(pictures={"one": SVG})
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"].startswith("en")
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    told = elements(root["/StructTreeRoot"])
    kinds = {one["/S"] for one in told}
    assert {"/H1", "/Table", "/TH", "/Figure"} <= kinds
    assert [one["/Alt"] for one in told if one["/S"] == "/Figure"] == ["A bar. One bar of 20."]
    assert b"pdfuaid:part" in root["/Metadata"].get_data()


def test_every_font_is_inside():
    found = made(pictures={"one": SVG}).pages[0]["/Resources"]["/Font"]
    for font in found.values():
        below = font["/DescendantFonts"][0].get_object()
        assert any(name in below["/FontDescriptor"] for name in ("/FontFile2", "/FontFile3"))
        assert "DejaVuSans" in below["/BaseFont"]


def test_text_is_data_and_never_markup():
    odd = '#emph[a] $x$ *b* <label> @ref `raw` \\ "quote" #include("x")'
    assert odd in made(odd).pages[0].extract_text()


@pytest.mark.parametrize("paper", PAPERS)
def test_the_page_is_as_large_as_the_paper_and_nothing_stands_beside_it(paper):
    long = "A sentence that goes on until there is no room for it on a line, and then on the next. " * 60
    page, *more = made(long, data={"paper": paper, "banner": "Peer review " * 25}).pages
    assert size_of(page) == SIZES_MM[paper]
    assert inside(page)
    assert all(inside(one) for one in more)
    assert size_of(made().pages[0]) == SIZES_MM[A4]


def test_banner_and_caution_stand_on_the_page():
    said = made(data={"banner": "Rillstone Valley EMS: confidential"}).pages[0].extract_text()
    assert "Rillstone Valley EMS: confidential" in said
    assert SHORT[:60] in said
    assert "Page 1 of 1" in said


def test_a_sign_that_the_fonts_lack_is_a_box_and_said_so():
    said = made("Three signs: 中, é and ±.").pages[0].extract_text()
    assert "Three signs: □, é and ±." in said
    assert "□ stands for a sign" in said
    assert "□" not in made("é and ±").pages[0].extract_text()


def test_the_same_gives_the_same_and_the_date_is_the_one_given():
    at = datetime(2031, 5, 1, 12, 30, 15, 250_000, tzinfo=UTC)
    assert printed.pdf("trial", {"title": "A", "text": "b"}, at=at) == printed.pdf("trial", {"title": "A", "text": "b"}, at=at)
    assert made(at=at).metadata.creation_date == at.replace(microsecond=0)
    assert made().metadata.creation_date is None


@pytest.mark.parametrize(
    ("template", "data", "pictures", "words"),
    [
        ("nosuch", {}, {}, "no template “nosuch”; there are .*trial"),
        ("broken", {"title": "A"}, {}, "cannot be made"),
        ("trial", {"title": "A"}, {}, "cannot be made: .*text"),
        ("trial", {"title": "A", "text": "b"}, {"one": SVG.replace("A bar", " ")}, "no <title>"),
        ("trial", {"title": "A", "text": "b"}, {"one": "<svg"}, "not SVG"),
        ("trial", {"title": "A", "text": float("nan")}, {}, "not plain data"),
        ("trial", {"title": "", "text": "b"}, {}, "title"),
        ("trial", {"title": "A", "text": "b", "paper": "legal"}, {}, "no paper “legal”; there are a4, letter"),
    ],
)
def test_what_cannot_be_printed_is_refused_in_words(template, data, pictures, words):
    with pytest.raises(QiError, match=words):
        printed.pdf(template, data, pictures)


def test_pages_are_pictures():
    assert printed.pages("trial", {"title": "A", "text": "b"})[0].startswith(b"\x89PNG")


@pytest.mark.parametrize("words", [1, 800, 2000])
def test_pages_are_counted_as_the_file_has_them(words):
    data = {"title": "A", "text": "words " * words}
    assert printed.count("trial", data) == len(pypdf.PdfReader(io.BytesIO(printed.pdf("trial", data))).pages)


def test_the_fonts_come_with_their_licence():
    words = (printed.FONTS / "LICENSE.txt").read_text(encoding="utf-8")
    assert "Bitstream Vera" in words
    assert "reproduce and distribute" in words
    assert len(list(printed.FONTS.glob("*.ttf"))) == 3


def font(segments):
    """A font file of nothing but a character map of format 4: (first, last, delta) each, closed by 0xFFFF."""
    rows = [*segments, (0xFFFF, 0xFFFF, 1)]
    body = struct.pack(">HHHH", 2 * len(rows), 0, 0, 0)
    body += b"".join(struct.pack(">H", last) for _, last, _ in rows) + b"\0\0"
    body += b"".join(struct.pack(">H", first) for first, _, _ in rows)
    body += b"".join(struct.pack(">H", delta & 0xFFFF) for *_, delta in rows) + b"\0\0" * len(rows)
    table = struct.pack(">HHH", 4, 6 + len(body), 0) + body
    cmap = struct.pack(">HHHHI", 0, 1, 3, 1, 12) + table
    return struct.pack(">IHHHH", 0x00010000, 1, 0, 0, 0) + b"cmap" + struct.pack(">III", 0, 28, len(cmap)) + cmap


def test_signs_are_those_that_every_font_of_the_folder_has(tmp_path):
    (tmp_path / "a.ttf").write_bytes(font([(65, 70, -64)]))
    (tmp_path / "b.ttf").write_bytes(font([(68, 72, -64)]))
    assert glyphs.signs_of(tmp_path) == {68, 69, 70}
    assert glyphs.signs_of(tmp_path / "nosuch") == frozenset()


def test_marks_without_a_width_are_left_out():
    assert glyphs.shown("a\u200db\ufe0fc\x07 d\n", frozenset(map(ord, "abcd"))) == "abc d\n"
    assert glyphs.shown_in({"k中": ["中", 1, None]}, frozenset()) == {"k中": ["□", 1, None]}
