"""case.toml: what it says, and what happens where it cannot be used."""

from datetime import datetime

import pytest

from qi.intake.header import read_header, safe_id
from tests.intake.made_files import told

WHOLE = """
id = "2031-0417"
zone = "America/Denver"
protocol = "adult-2020"
[patient]
age_years = 61
sex = "female"
[arrest]
witnessed = "bystander"
bystander_cpr = true
cause = "medical"
[crew]
station = "3"
shift = "B"
unit = "Medic 31"
members = ["C-104", "C-233"]
[outcome]
sustained_rosc = true
survived_to_discharge = "unknown"
[[source]]
file = "monitor.edf"
start = "2031-04-17T14:02:11-06:00"
depth_reference = "absolute"
clock = "monitor"
offset_s = 0.0
uncertainty_s = 2.0
[source.channels]
"Sternum travel" = "compression_depth"
[[source]]
file = "cad.csv"
[source.columns]
"Alarm" = "dispatched"
"""


@pytest.fixture
def header_of(tmp_path):
    def made(text):
        folder = tmp_path / "a case"
        folder.mkdir(exist_ok=True)
        (folder / "case.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_header(folder)

    return made


def test_the_whole_example_of_the_case_format(header_of):
    """The header of case-format.md, section 1, one key a line."""
    header = header_of(WHOLE)
    assert header.notes == ()
    assert (header.id, header.zone, header.protocol) == ("2031-0417", "America/Denver", "adult-2020")
    facts = header.facts
    assert (facts.age_years, facts.sex, facts.witnessed, facts.bystander_cpr) == (61, "female", "bystander", True)
    assert (facts.station, facts.shift, facts.unit, facts.members) == ("3", "B", "Medic 31", ("C-104", "C-233"))
    assert facts.outcome == {"sustained_rosc": True, "survived_to_discharge": "unknown"}
    source = header.sources["monitor.edf"]
    assert source.start == datetime.fromisoformat("2031-04-17T14:02:11-06:00")
    assert (source.depth_reference, source.clock, source.offset_s, source.uncertainty_s) == ("absolute", "monitor", 0, 2)
    assert source.channels == {"Sternum travel": "compression_depth"}
    assert header.sources["cad.csv"].columns == {"Alarm": "dispatched"}


def test_no_header_means_the_folders_name_and_nothing_else(tmp_path):
    (tmp_path / "case-7").mkdir()
    header = read_header(tmp_path / "case-7")
    assert (header.id, header.zone, header.facts.age_years, header.sources, header.notes) == ("case-7", None, None, {}, ())


def test_not_toml_is_an_error_with_its_line_and_the_case_loads_without(header_of):
    header = header_of('id = "x"\nzone = \n')
    assert header.id == "a-case"
    assert "error case.toml: not readable as TOML" in told(header.notes)
    assert "line 2" in told(header.notes)
    assert "not readable" in told(header_of(b"id = '\xff'").notes)


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("idd = 'x'\n", 1, ("“idd” is not known", "choose from arrest, crew, id")),
        ("[patient]\nage = 61\n", 2, ("“age” is not known", "age_years, sex")),
        ("[patient]\nage_years = 'old'\n", 2, ("age_years is 'old', should be a number",)),
        ("[patient]\nage_years = -1\n", 2, ("should be 0 or more",)),
        ("[arrest]\nwitnessed = 'maybe'\n", 2, ("“maybe” is not known", "bystander, ems, no, unknown")),
        ("[arrest]\nbystander_cpr = 'yes'\n", 2, ('should be true, false or "unknown"',)),
        ("[crew]\nmembers = 'C-104'\n", 2, ("should be a list",)),
        ("zone = 'America/Denvr'\n", 1, ("not an IANA zone", "America/Denver")),
        ("[[source]]\nfile = 'a'\nstart = '2031-04-17T24:00:00'\n", 3, ("the hour 24 does not exist",)),
        ("[[source]]\nfile = 'a'\nstart = '2031-04-17T14:00:60'\n", 3, ("end at 59",)),
        ("[[source]]\nfile = '../a'\n", 2, ("leads out of the case folder",)),
        ("[[source]]\nclock = 'a'\n", 1, ("a [[source]] without a usable file",)),
        ("[[source]]\nfile = 'a'\ndepth_reference = 'deep'\n", 3, ("absolute, stroke",)),
        (
            "[[source]]\nfile = 'a'\n[source.channels]\n'Travel' = 'compresion_depth'\n",
            3,
            ("compresion_depth", "compression_depth,"),
        ),
        ("[[source]]\nfile = 'a'\n[source.columns]\n'Alarm' = 'dispatchd'\n", 3, ("“dispatchd” is not known", "dispatched,")),
        ("[[source]]\nfile = 'a'\n[[source]]\nfile = 'a'\n", 2, ("two [[source]] tables",)),
        ("patient = 3\n", 1, ("patient should be a table",)),
        ("source = 3\n", 1, ("should be written [[source]]",)),
    ],
)
def test_a_wrong_entry_is_named_with_its_line_and_left_out_alone(header_of, text, line, words):
    header = header_of(text + ("" if text.startswith("[") or "= 3" in text else "protocol = 'adult-2020'\n"))
    notes = [note for note in header.notes if note.level == "error"]
    assert notes
    assert notes[0].where == f"case.toml, line {line}"
    for word in words:
        assert word in told(notes)
    if not text.startswith("[") and "= 3" not in text:
        assert header.protocol == "adult-2020"


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("../../etc", "-..-etc"),
        (".hidden", "hidden"),
        ("a b/c", "a-b-c"),
        ("x" * 90, "x" * 64),
        ("..", "case"),
        ("Ok_1.2-3", "Ok_1.2-3"),
    ],
)
def test_unsafe_ids_become_safe_and_it_is_said(header_of, name, safe):
    assert safe_id(name) == safe
    header = header_of(f"id = '{name}'\n")
    assert header.id == safe
    assert ("not safe as a file name" in told(header.notes)) == (name != safe)


def test_what_the_hospital_is_able_to_do(header_of):
    assert header_of('[arrest]\nhospital = ["PCI capable", "general"]\n').facts.hospital == ("PCI capable", "general")
    unknown = header_of('[arrest]\nhospital = ["heart center"]\n')
    assert unknown.facts.hospital == ()
    assert "heart center" in told(unknown.notes)
