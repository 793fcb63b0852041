"""Conference: nothing sent for the page names a case, a day, crew, unit or station; parts are shown one by one, and logged."""

import base64
import re

import pytest

from qi.desk.opened import open_case, review_of
from qi.screens import conference, pages
from tests.screens.acting import chosen, named, names, to_page
from tests.screens.conftest import SAMPLES, words
from tests.screens.test_roles import app, claims, listed  # noqa: F401 - a fixture

NUMBERS = sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir())
PACKED = re.compile(r"base64,([A-Za-z0-9+/=]+)")


def sent(opened):
    """All that the server sends to the browser for a page: every element with its settings, pictures unpacked, and the title."""
    found = []

    def walk(node):
        if getattr(node, "proto", None) is not None:
            found.append(str(node.proto))
        for child in getattr(node, "children", {}).values():
            walk(child)

    walk(opened._tree)
    text = "\n".join(found)
    pictures = [base64.b64decode(one).decode() for one in PACKED.findall(text)]
    return "\n".join([PACKED.sub("", text), *pictures, str(dict(opened.query_params))])


def names_of(shelf, number):
    """Whatever names a sample case: its number, crew, unit, station, day, time of day and files."""
    opened = open_case(shelf.library, shelf.key(number))
    facts, start = opened.case.facts, opened.case.start
    found = [number, *facts.members, facts.unit, *(source.file for source in opened.case.sources)]
    found += [f"station {facts.station}", f"shift {facts.shift}", "Rillstone"]
    if start:
        found += [f"{start:%d %b %Y}", f"{start:%Y-%m-%d}", f"{start:%B}", f"{start:%Y}", f"{start:%H:%M}"]
    return [one for one in found if one]


def keys(shelf, *numbers):
    return ",".join(shelf.key(number) for number in numbers)


def all_parts(opened):
    return opened.pills(key="conference-parts").set_value(list(conference.PARTS)).run()


def html(opened):
    return "".join(one.body for one in opened.get("html"))


@pytest.mark.parametrize("numbers", [*[(number,) for number in NUMBERS], tuple(NUMBERS[:3])], ids="+".join)
def test_nothing_sent_for_the_page_names_a_case(shelf, numbers):
    opened = shelf.opened("conference", cases=keys(shelf, *numbers))
    for page in (opened, all_parts(opened)):
        assert not page.exception
        assert not page.error
        shown = sent(page)
        assert len(shown) > 5000
        for number in numbers:
            assert not [one for one in names_of(shelf, number) if one.casefold() in shown.casefold()]


def test_nor_in_the_whole_app_with_its_sidebar(listed):  # noqa: F811 - the fixture
    opened = app(claims("reviewer"), cases=keys(listed, *NUMBERS[:3])).run()
    opened = to_page(opened, "conference")
    assert not opened.exception
    assert not opened.sidebar.selectbox
    shown = sent(all_parts(opened))
    for number in NUMBERS[:3]:
        assert not [one for one in names_of(listed, number) if one.casefold() in shown.casefold()]


def test_the_search_finds_names_on_a_page_that_has_them(shelf):
    shown = sent(shelf.opened("walkthrough", NUMBERS[0]))
    named = [one for one in names_of(shelf, NUMBERS[0]) if one in shown]
    assert NUMBERS[0] in named
    assert len(named) >= 4


def test_the_room_sees_the_picture_first_and_the_rest_part_by_part(shelf):
    opened = shelf.opened("conference", cases=keys(shelf, NUMBERS[0]))
    heads = {"Words": "What happened", "Measures": "The main measures", "Pauses": "Pauses by cause", "Questions": "To talk about"}
    assert "<img" in html(opened)
    assert not [head for head in heads.values() if head in html(opened)]
    for part, head in heads.items():
        shown = html(opened.pills(key="conference-parts").set_value([part]).run())
        assert [other for other in heads.values() if other in shown] == [head]
        assert "<img" not in shown
        assert "Case A" in shown
    assert not opened.pills(key="conference-parts").set_value([]).run().exception


def test_three_stand_side_by_side_or_one_alone(shelf):
    opened = all_parts(shelf.opened("conference", cases=keys(shelf, *NUMBERS[:3])))
    assert html(opened).count("<img") == 3
    heads = re.findall(r'<th scope="col">(.*?)</th>', html(opened))
    assert heads[:4] == ["Measure", "Case A", "Case B", "Case C"]
    alone = opened.segmented_control(key="conference-which").set_value("Case B").run()
    assert html(alone).count("<img") == 1
    assert "Case B" in html(alone)
    assert "Case A" not in html(alone)


def test_the_same_case_alone_shows_the_numbers_of_its_walkthrough(shelf):
    key = shelf.key(NUMBERS[0])
    review = review_of(open_case(shelf.library, key), shelf.library.lines(key))
    shown = html(all_parts(shelf.opened("conference", cases=key)))
    assert f"{review.of('compression_fraction').value * 100:.0f}\u00a0%" in shown.replace("&nbsp;", "\u00a0")
    assert "● met" in shown


@pytest.mark.parametrize("asked", ["nothing-there", "../../etc", "<b>x</b>", "{good},nothing-there"])
def test_what_is_not_there_is_said_without_naming_it(shelf, asked):
    opened = shelf.opened("conference", cases=asked.format(good=shelf.key(NUMBERS[0])))
    assert not opened.exception
    (error,) = opened.error
    assert error.value == f"Case {'B' if 'good' in asked else 'A'} cannot be shown: it is not in the library, or cannot be read."
    assert ("<img" in html(opened)) == ("good" in asked)


def test_a_case_whose_files_are_gone_is_not_named_either(own):
    key = own.key(NUMBERS[0])
    for path in (own.folder / "cases" / key).rglob("*"):
        if path.is_file():
            path.write_bytes(b"")
    opened = own.opened("conference", cases=key)
    assert not opened.exception
    assert opened.error
    assert NUMBERS[0] not in sent(opened)


@pytest.mark.parametrize("asked", [None, "", ",, ,"])
def test_without_a_case_it_says_how_to_choose_and_offers_none(shelf, asked):
    opened = shelf.opened("conference") if asked is None else shelf.opened("conference", cases=asked)
    assert "Choose them in the worklist" in words(opened)
    assert not [number for number in NUMBERS if number in sent(opened)]


def test_at_most_three_and_none_twice(shelf):
    one = shelf.key(NUMBERS[0])
    opened = shelf.opened("conference", cases=f"{one}, {one}," + keys(shelf, *NUMBERS[1:5]))
    assert opened.query_params["cases"] == keys(shelf, *NUMBERS[:3])
    assert html(opened).count("<img") == 3


def test_it_is_logged_once_a_session_and_case(own):
    key = own.key(NUMBERS[0])
    opened = own.opened("conference", cases=key)
    all_parts(opened).run()
    lines = [line for line in own.library.log_lines(did="opened") if line.case == key]
    assert [(line.who, line.what) for line in lines] == [("tester", "conference view")]


@pytest.mark.parametrize(("rows", "offered"), [([0], True), ([0, 1, 2], True), ([0, 1, 2, 3], False)])
def test_the_worklist_leads_to_it_with_keys_and_no_numbers(shelf, monkeypatch, rows, offered):
    gone = []
    monkeypatch.setattr(pages, "go", lambda name, **query: gone.append((name, query["cases"].split(","))))
    opened = shelf.opened("worklist")
    key = next(frame.key for frame in opened.dataframe if "why first" in frame.value.columns)
    opened.session_state[key] = chosen(rows)
    opened.run()
    assert ("teach" in names(opened.button)) == offered
    if offered:
        named(opened.button, "teach").click().run()
        ((name, cases),) = gone
        assert name == "conference"
        assert len(cases) == len(rows)
        assert set(cases) <= {entry.key for entry in shelf.library.entries()}


def test_a_case_that_is_not_signed_is_said_to_be_open(own):
    opened = own.opened("conference", cases=own.key(NUMBERS[0]))
    assert "Not signed yet" in words(opened)
    named(own.opened("walkthrough", NUMBERS[0]).button, "sign").click().run()
    assert "Not signed yet" not in words(own.opened("conference", cases=own.key(NUMBERS[0])))


@pytest.mark.parametrize("role", ["crew", "administrator"])
def test_it_is_for_those_who_teach(listed, role):  # noqa: F811 - the fixture
    opened = to_page(app(claims(role), cases=keys(listed, NUMBERS[0])).run(), "conference")
    assert "Not for this account" in words(opened)
    assert not html(opened)
