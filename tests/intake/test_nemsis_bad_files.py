"""The care-record reader on files that must be refused, or borne: case-format.md section 3, data-standards.md 1.10."""

from pathlib import Path

import pytest

from qi.intake import nemsis
from qi.model.errors import UnreadableFile
from tests.intake.care_records import ABOUT, OURS, at, record
from tests.simulator.care_record import DeviceEvent, write


def test_recognised_by_content(tmp_path: Path):
    """The root element and its namespace decide, not the name; another data set of the standard is not a care record."""
    write(tmp_path / "made.txt", reports=[record()])
    assert nemsis.recognises(tmp_path / "made.txt")
    for name, content in (
        ("a.xml", b'<DEMDataSet xmlns="http://www.nemsis.org"/>'),
        ("b.xml", b"<EMSDataSet/>"),
        ("c.xml", b"time_s,ecg[mV]\n0,0\n"),
        ("d.xml", b""),
        ("e.xml", bytes(range(256))),
    ):
        (tmp_path / name).write_bytes(content)
        assert not nemsis.recognises(tmp_path / name)


BOMB = """<?xml version="1.0"?>
<!DOCTYPE EMSDataSet [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]>
<EMSDataSet xmlns="http://www.nemsis.org" x="&c;">&c;</EMSDataSet>"""
OUTSIDE = """<?xml version="1.0"?>
<!DOCTYPE EMSDataSet [<!ENTITY x SYSTEM "file:///etc/hostname">]>
<EMSDataSet xmlns="http://www.nemsis.org">&x;</EMSDataSet>"""
EMPTY_DTD = '<!DOCTYPE EMSDataSet SYSTEM "http://example.invalid/a.dtd"><EMSDataSet xmlns="http://www.nemsis.org"/>'


@pytest.mark.parametrize("content", [BOMB, OUTSIDE, EMPTY_DTD], ids=["bomb", "outside", "dtd"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_a_dtd_is_refused(tmp_path: Path, content: str, encoding: str):
    """case-format.md section 3: a DTD or entities are refused, with the line; still recognised, so that it is said."""
    path = tmp_path / "bomb.xml"
    path.write_bytes(content.encode(encoding))
    assert nemsis.recognises(path)
    with pytest.raises(UnreadableFile, match=r"bomb\.xml: line [12]: found a DTD"):
        nemsis.read(path, ABOUT)


def test_cut_short_anywhere_is_refused_with_the_line(tmp_path: Path):
    """A truncated file is not half-read: the message has the line, what was found and what would be right."""
    whole = (OURS / "infant.xml").read_bytes()
    path = tmp_path / "cut.xml"
    for length in range(40, len(whole) - 20, 397):
        path.write_bytes(whole[:length])
        with pytest.raises(UnreadableFile, match=r"cut\.xml: line \d+, column \d+: found .+; right would be"):
            nemsis.read(path, ABOUT)


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "line 1"),
        (b"not XML at all", "line 1, column"),
        (b'<EMSDataSet xmlns="http://www.nemsis.org"><Header/></EMSDataSet>', "found no PatientCareReport"),
        (b"<EMSDataSet/>", "right would be <EMSDataSet> in http://www.nemsis.org"),
        (b'<?xml version="1.0" encoding="klingon"?><EMSDataSet xmlns="http://www.nemsis.org"/>', "line 1"),
        (b'<EMSDataSet xmlns="http://www.nemsis.org">&undefined;</EMSDataSet>', "line 1"),
    ],
)
def test_what_cannot_be_read_says_where(tmp_path: Path, content: bytes, what: str):
    """case-format.md section 3: file, place, what was found, what would be right."""
    path = tmp_path / "bad.xml"
    path.write_bytes(content)
    with pytest.raises(UnreadableFile, match=what.replace(".", r"\.")):
        nemsis.read(path, ABOUT)


def test_too_large_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A file over the limit is refused before it is read."""
    monkeypatch.setattr("qi.intake.nemsis_tree.LARGEST_BYTES", 1000)
    with pytest.raises(UnreadableFile, match="a care record is read up to 1000 bytes"):
        nemsis.read(OURS / "infant.xml", ABOUT)


def test_large_text_and_comments_are_tolerated(tmp_path: Path):
    """data-standards.md 1.10: base64 attachments over 10 MB, comments inside elements."""
    write(tmp_path / "a.xml", reports=[record(device_events=(DeviceEvent(at(400), "4103001"),))])
    picture = (
        "<eDevice.WaveformGroup><eDevice.04>image/jpg</eDevice.04><eDevice.05>"
        + "A" * 11_000_000
        + "</eDevice.05></eDevice.WaveformGroup>"
    )
    content = (tmp_path / "a.xml").read_text(encoding="utf-8").replace("</eDevice.DeviceGroup>", picture + "</eDevice.DeviceGroup>")
    (tmp_path / "a.xml").write_text(content.replace("4103001", "4103<!-- note -->001"), encoding="utf-8")
    care, device = nemsis.read(tmp_path / "a.xml", ABOUT)
    assert care.facts.unit == "Medic 31"
    assert device.events["text"].tolist() == ["12-lead ECG (eDevice.03 4103001)"]
