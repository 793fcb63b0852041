"""Maps as TOML: what is written reads back, what is wrong is named with its line, and the right one is chosen for a file."""

import string
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qi.intake.map_choice import applying
from qi.intake.map_form import DECIMALS, DELIMITERS, EventColumns, Map, TimeFormat, same_name
from qi.intake.maps import check_map, load_maps, parse_map, read_map, write_map
from qi.intake.meanings import Column, Word
from qi.intake.written_times import FORMATS
from qi.model.errors import UnknownWord, UnreadableFile
from qi.model.vocabulary import CHANNELS, EVENT_VALUES, IGNORED, plain
from tests.intake.made_files import told

TABLE = """# A made-up logger
name = "Sternum logger"
kind = "signals"
for_tables_with = ["Datum", "Uhrzeit", "Weg (cm)"]

[table]
delimiter = ";"
decimal = ","
lines_before_names = 2
null_words = ["---", "n/a"]

[time]
columns = ["Datum", "Uhrzeit"]
format = "%d.%m.%Y %H:%M:%S.%f"
zone = "Europe/Berlin"

[[column]]
name = "Weg (cm)"
channel = "compression_depth"
unit = "cm"
scale = -1.0

[[column]]
name = "Spare"
channel = "ignored"

[events]
type = "Marke"

[[word]]
text = "ITD placed"
type = "device_on"
value = "itd"
"""
WORDS = """name = "Words of our monitors"
kind = "words"
for_tables_with = "any"
[[word]]
text = "Defib"
type = "shock"
[[label]]
name = "Sternum travel"
channel = "compression_depth"
"""

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
NAMES = TEXTS.filter(plain)
UNITS = {name: [unit for unit in about.factors or {about.unit: 1.0} if unit] for name, about in CHANNELS.items()}


@st.composite
def columns(draw, *, may_lack_unit=False):
    channel = draw(st.sampled_from([*CHANNELS, IGNORED]))
    unit = "" if channel == IGNORED else draw(st.sampled_from(UNITS[channel] + ([""] if may_lack_unit else [])))
    scale = draw(st.sampled_from([1.0, -1.0]) | st.floats(0.001, 1e6) | st.integers(1, 9).map(float))
    return Column(draw(NAMES), channel, unit, scale)


@st.composite
def words(draw):
    type_ = draw(st.sampled_from(sorted(EVENT_VALUES)))
    choices = EVENT_VALUES[type_]
    value = "" if choices == () else draw(TEXTS if choices is None else st.sampled_from(["", *choices]))
    return Word(draw(NAMES), type_, value)


@st.composite
def maps(draw):
    own_words = tuple(draw(st.lists(words(), max_size=4, unique_by=lambda word: plain(word.text))))
    labels = st.lists(columns(may_lack_unit=True), max_size=3, unique_by=lambda column: plain(column.name))
    own_labels = tuple(draw(labels))
    kind = draw(st.sampled_from(["words", "signals", "events", "dispatch"]))
    if kind == "words":
        own_words = own_words if own_words or own_labels else (Word("a", "rosc"),)
        return Map(draw(NAMES), words=own_words, labels=own_labels)
    names = draw(st.lists(NAMES, min_size=6, max_size=9, unique_by=same_name))
    time = TimeFormat(
        tuple(names[: draw(st.integers(1, 2))]),
        draw(st.sampled_from([*FORMATS, "%d.%m.%Y %H:%M:%S.%f", "%m/%d/%y %I:%M %p", "%H:%M"])),
        draw(st.sampled_from(["", "America/Denver", "UTC"])),
    )
    channels = tuple(
        replace(draw(columns()), name=name) if kind == "signals" else Column(name, IGNORED)
        for name in names[2 : draw(st.integers(3, 4))]
    )
    events = (
        EventColumns(type=names[4], by=draw(st.sampled_from(["", names[5]]))) if kind != "signals" or draw(st.booleans()) else None
    )
    return Map(
        draw(NAMES),
        kind,
        tuple(draw(st.lists(NAMES, min_size=1, max_size=5))),
        draw(st.sampled_from(DELIMITERS)),
        draw(st.sampled_from(DECIMALS)),
        draw(st.integers(0, 1000)),
        tuple(draw(st.lists(TEXTS, max_size=3))),
        time,
        channels,
        events or EventColumns(),
        own_words,
        own_labels,
    )


@settings(max_examples=300, deadline=None)
@given(maps())
def test_what_is_written_reads_back(map_):
    assert parse_map(write_map(map_)) == map_


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(maps())
def test_a_file_reads_back_and_writes_the_same_text(tmp_path, map_):
    path = tmp_path / "m.toml"
    path.write_text(write_map(map_), encoding="utf-8", newline="")
    assert write_map(read_map(path)) == write_map(map_)


def test_the_entries_of_a_map(tmp_path):
    (tmp_path / "m.toml").write_text(TABLE, encoding="utf-8")
    map_ = read_map(tmp_path / "m.toml")
    assert (map_.delimiter, map_.decimal, map_.skip_lines, map_.null_words) == (";", ",", 2, ("---", "n/a"))
    assert map_.time == TimeFormat(("Datum", "Uhrzeit"), "%d.%m.%Y %H:%M:%S.%f", "Europe/Berlin")
    assert map_.columns == (Column("Weg (cm)", "compression_depth", "cm", -1.0), Column("Spare", "ignored"))
    assert map_.words == (Word("ITD placed", "device_on", "itd"),)
    assert map_.events == EventColumns(type="Marke")


@pytest.mark.parametrize(
    ("old", "new", "place", "said"),
    [
        ('kind = "signals"', 'kind = "waves"', "line 3, kind", "choose from dispatch, events, signals, words"),
        ('kind = "signals"', 'sort = "signals"', "line 3", "“sort” is not known; choose from column, events"),
        ("delimiter", "separator", "line 7, table", "choose from decimal, delimiter"),
        ('delimiter = ";"', 'delimiter = ":"', "line 7, delimiter", "“:” is not known"),
        ("lines_before_names = 2", "lines_before_names = 2.5", "line 9", "should be a whole number from 0 to 1000"),
        ('["---", "n/a"]', '"---"', "line 10", "should be a list of texts"),
        ("%d.%m.%Y %H:%M:%S.%f", "%d.%m.%Y", "line 14", "has no hour"),
        ("%d.%m.%Y %H:%M:%S.%f", "%d.%m %H:%M", "line 14", "a part of a date only"),
        ("%d.%m.%Y %H:%M:%S.%f", "%d.%m.%Y %H:%M:%Q", "line 14", "has %Q, which is not known here"),
        ("%d.%m.%Y %H:%M:%S.%f", "%d.%m.%Y %I:%M", "line 14", "which needs %p"),
        ("%d.%m.%Y %H:%M:%S.%f", "%H:%H", "line 14", "has %H twice"),
        ("%d.%m.%Y %H:%M:%S.%f", "german", "line 14", "choose from iso, elapsed_s"),
        ("Europe/Berlin", "Europe/Berlinn", "line 15", "is not an IANA zone; near it are Europe/Berlin"),
        ("compression_depth", "depth", "line 19, channel", "“depth” is not known; choose from"),
        ('unit = "cm"', 'unit = "ell"', "line 20, unit", "choose from cm, in, inch, m, mm"),
        ('unit = "cm"\n', "", "line 17, unit", "“” is not known"),
        ("scale = -1.0", "scale = 0", "line 21", "should be a number that is not 0"),
        ("scale = -1.0", "scale = nan", "line 21", "should be a number"),
        ('name = "Spare"', 'name = "weg  (cm)"', "line 17", "two [[column]] of the same name"),
        ('name = "Spare"', 'name = "Marke"', "line 3", "“marke” is used twice"),
        ('channel = "ignored"\n', "", "line 24", "a column should have a channel"),
        ('type = "device_on"', 'type = "device on"', "line 32, type", "“device on” is not known; choose from access"),
        ('value = "itd"', 'value = "ITD"', "line 33, value", "choose from capnography, defib_pads, itd"),
        ('text = "ITD placed"', 'text = "+++"', "line 31", "should have a letter or a number in it"),
        ("[[word]]", "[word]", "line 30", "should be written [[word]]"),
        ('for_tables_with = ["Datum", "Uhrzeit", "Weg (cm)"]', 'for_tables_with = "any"', "line 4", "should name the columns"),
        ('name = "Sternum logger"\n', "", "the text", "name is missing"),
        ('name = "Sternum logger"', "name = [", "not readable as TOML", "line"),
    ],
)
def test_what_is_wrong_is_named_with_its_line(tmp_path, old, new, place, said):
    assert TABLE.count(old) >= 1
    (tmp_path / "m.toml").write_text(TABLE.replace(old, new, 1), encoding="utf-8")
    with pytest.raises((UnreadableFile, UnknownWord)) as error:
        read_map(tmp_path / "m.toml")
    assert str(error.value).startswith(f"m.toml: {place}")
    assert said in str(error.value)


def test_the_second_of_two_blocks_is_named_by_its_own_line():
    second = WORDS + '[[word]]\ntext = "x"\ntype = "zap"\n'
    with pytest.raises(UnknownWord, match=r"map.toml: line 12, type: “zap”"):
        parse_map(second)


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("words", '[table]\ndelimiter = ";"'),
        ("words", '[[column]]\nname = "a"\nchannel = "ignored"'),
        ("events", ""),
        ("signals", ""),
        ("events", '[time]\ncolumns = ["t"]\nformat = "iso"'),
        (
            "events",
            '[time]\ncolumns = ["t"]\nformat = "iso"\n[events]\ntype = "a"\n[[column]]\nname = "b"\nchannel = "ecg"\nunit = "mV"',
        ),
        ("signals", '[time]\ncolumns = ["t"]\nformat = "iso"\n[events]\nend = "a"\n[[column]]\nname = "b"\nchannel = "ignored"'),
    ],
)
def test_entries_that_do_not_go_together_are_refused(kind, more):
    finds = '"any"' if kind == "words" else '["t"]'
    with pytest.raises(UnreadableFile, match="map"):
        parse_map(f'name = "m"\nkind = "{kind}"\nfor_tables_with = {finds}\n{more}\n')


def test_check_map_refuses_what_would_not_read_back():
    check_map(parse_map(WORDS))
    with pytest.raises(UnknownWord, match="choose from"):
        check_map(Map("m", words=(Word("a", "zap"),)))
    with pytest.raises(UnreadableFile, match="says nothing"):
        check_map(Map("m"))


def test_not_a_map_file(tmp_path):
    (tmp_path / "b.toml").write_bytes(b"name = '\xff'")
    with pytest.raises(UnreadableFile, match="byte 8: no UTF-8"):
        read_map(tmp_path / "b.toml")
    with pytest.raises(UnreadableFile, match="no ordinary file"):
        read_map(tmp_path)
    (tmp_path / "l.toml").symlink_to(tmp_path / "b.toml")
    with pytest.raises(UnreadableFile, match="no ordinary file"):
        read_map(tmp_path / "l.toml")
    (tmp_path / "h.toml").write_bytes(b"#" * 1_000_001)
    with pytest.raises(UnreadableFile, match="a map has at most"):
        read_map(tmp_path / "h.toml")


def test_a_folder_of_maps(tmp_path):
    """A broken one is named and left out, and so is the second of one name; other files are no maps."""
    for name, text in {"b.toml": TABLE, "a.toml": WORDS, "c.toml": TABLE, "d.toml": "kind = 3\n", "e.txt": "x"}.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    maps_, notes = load_maps(tmp_path)
    assert [map_.name for map_ in maps_] == ["Words of our monitors", "Sternum logger"]
    assert "error c.toml: a map before it is called “Sternum logger” too" in told(notes)
    assert "error d.toml: the text: name is missing" in told(notes)
    assert len(notes) == 2
    assert load_maps(tmp_path / "none") == ([], [])


def table_map(name, *finds, **more):
    return Map(name, "signals", finds, time=TimeFormat(("t",), "elapsed_s"), columns=(Column("a", "ecg", "mV"),), **more)


def test_the_map_that_finds_most_columns_is_chosen(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text("T,A,b\n0,1,2\n", encoding="utf-8")
    some = [
        table_map("all", "t", "a", "B"),
        table_map("two", "t", "a"),
        table_map("other", "t", "z"),
        table_map("tab", "t", delimiter="\t"),
    ]
    choice = applying(some, path)
    assert (choice.table.name, choice.notes) == ("all", ())
    assert applying(some[2:], path).table is None


def test_two_maps_that_serve_equally_well_are_said(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text("t,a,b\n0,1,2\n", encoding="utf-8")
    choice = applying([table_map("z", "t", "b"), table_map("y", "t", "a")], path)
    assert choice.table.name == "y"
    assert "the map “y” is used; “z” would fit as well, and say otherwise" in told(choice.notes)
    assert applying([table_map("z", "t", "a"), table_map("y", "t", "a")], path).notes == ()


def test_two_maps_that_say_different_things_of_a_word_are_said(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text("a\n", encoding="utf-8")
    choice = applying([Map("2", words=(Word("zap!", "charge"),)), Map("1", words=(Word("Zap", "shock"),))], path)
    assert choice.words["zap"].type == "shock"
    assert "the maps “1” and “2” say different things of “zap!”; the first is used" in told(choice.notes)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(st.binary(max_size=300), st.sampled_from([b"", b"PAR1", b"\xff\xfe", b"t,a\n"]))
def test_choosing_never_fails_on_any_bytes(tmp_path, raw, head):
    (tmp_path / "x").write_bytes(head + raw)
    applying([table_map("m", "t", "a")], tmp_path / "x")


@given(st.text(string.printable, max_size=300))
def test_any_text_is_a_map_or_is_refused_in_words(text):
    with pytest.raises((UnreadableFile, UnknownWord)):
        parse_map(text)
