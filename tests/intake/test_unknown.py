"""Every reader says what it does not understand: kind, the file's own name, how often; and a map mends it once for all files."""

import importlib.util

import numpy as np
import pytest

from qi.intake import dispatch_csv, edf, event_csv, nemsis, signal_parquet, signal_table, wfdb_record
from qi.intake.folder import read_case
from qi.intake.header import SourceHeader
from qi.intake.map_form import Map
from qi.intake.meanings import Column, Word
from qi.intake.signal_columns import NoTimes
from qi.model.case import Unknown
from tests.intake.care_records import OURS, SAMPLES, needs_samples
from tests.intake.made_files import ABOUT, edf_bytes, signal_csv, tal, told, write_edf, write_folder, write_parquet

LABELS = Map(
    "monitors", labels=(Column("Sternum travel", "compression_depth", "cm", -1.0), Column("Depth", "compression_depth", "cm"))
)
WORDS = Map("words", words=(Word("Defib given", "shock"), Word("ITD placed", "device_on", "itd"), Word("lunch", "note", "meal")))


def short(part):
    return [(item.kind, item.name, item.count) for item in part.unknown]


def test_signal_table(tmp_path):
    (tmp_path / "a").write_text("time_s,sternum travel[cm],depth[furlong],co2[mmHg]\n0,1,2,3\n1,1,2,3\n", encoding="utf-8")
    (part,) = signal_table.read(tmp_path / "a", ABOUT)
    assert short(part) == [("channel", "sternum travel", 1), ("unit", "depth", 1)]
    assert part.unknown[1].detail.startswith("the unit “furlong” is not known for compression_depth (known: mm, cm")
    assert part.unknown[0].where == "a"


def test_signal_table_whose_times_are_not_understood(tmp_path):
    (tmp_path / "a").write_text("time,ecg[mV]\n17.04.2031 14:02,1\n", encoding="utf-8")
    with pytest.raises(NoTimes) as error:
        signal_table.read(tmp_path / "a", ABOUT)
    assert error.value.unknown == Unknown(
        "time", "time", "a", "no row has a time that can be read (the first is “17.04.2031 14:02”)"
    )


def test_signal_parquet(tmp_path):
    (part,) = signal_parquet.read(
        write_parquet(tmp_path / "a", {"time_s": [0.0, 1.0], "x[V]": [1.0, 2.0], "ecg": [1.0, 2.0]}), ABOUT
    )
    assert short(part) == [("channel", "x", 1), ("unit", "ecg", 1)]
    with pytest.raises(NoTimes, match="the first is “soon”"):
        signal_parquet.read(write_parquet(tmp_path / "b", {"time": ["soon"], "ecg[mV]": [1.0]}), ABOUT)


def test_edf(tmp_path):
    path = write_edf(
        tmp_path / "a", label="Sternum travel", annotations=[tal(0.5, "Zap"), tal(1.5, "Zap"), tal(2.5, "pause lunch")]
    )
    (part,) = edf.read(path, ABOUT)
    assert short(part) == [("channel", "Sternum travel", 1), ("event", "Zap", 2), ("event", "pause lunch", 1)]
    (part,) = edf.read(write_edf(tmp_path / "b", unit="furlong"), ABOUT)
    assert short(part) == [("unit", "CC depth", 1)]


def test_event_csv(tmp_path):
    (tmp_path / "a").write_text("time_s,type,colour\n1,Zap,red\n2,Zap,\n3,shock,\n", encoding="utf-8")
    (part,) = event_csv.read(tmp_path / "a", ABOUT)
    assert short(part) == [("column", "colour", 1), ("event", "Zap", 2)]
    (tmp_path / "a").write_text("time,type\n17.04.2031 14:02,shock\n", encoding="utf-8")
    (part,) = event_csv.read(tmp_path / "a", ABOUT)
    assert short(part) == [("time", "time", 1)]
    assert "the first is “17.04.2031 14:02”" in part.unknown[0].detail


def test_dispatch_csv(tmp_path):
    (tmp_path / "a").write_text(
        "unit,time,status,who\nM31,2031-04-17T09:01:00Z,Dispatched\n" + "M31,2031-04-17T09:01:47Z,10-97,x\n", encoding="utf-8"
    )
    (part,) = dispatch_csv.read(tmp_path / "a", ABOUT)
    assert short(part) == [("column", "who", 1), ("event", "10-97", 1)]
    (tmp_path / "a").write_text(
        "unit_id_reported,time_dispatch,time_second_alarm,time_turnout,remarks\nM31,2031-04-17T15:01:00Z,2031-04-17T15:03:07Z,PT1S,x\n",
        encoding="utf-8",
    )
    (part,) = dispatch_csv.read(tmp_path / "a", ABOUT)
    assert short(part) == [("event", "time_second_alarm", 1), ("column", "remarks", 1)]
    (tmp_path / "a").write_text("time_dispatch,time_on_scene\n4/17/2031 15:01,2031-04-17T15:01:00Z\n", encoding="utf-8")
    (part,) = dispatch_csv.read(tmp_path / "a", ABOUT)
    assert short(part) == [("time", "time_dispatch", 1)]


@needs_samples
def test_care_records_have_codes_only():
    for path in sorted(SAMPLES.glob("*.xml")):
        for part in nemsis.read(path, ABOUT):
            assert {item.kind for item in part.unknown} <= {"code"}


def test_care_record_with_unknown_codes(tmp_path):
    """Codes that the standard does not have, put into a good record."""
    text = next(OURS.glob("*.xml")).read_text(encoding="utf-8")
    for code in ("89666000", "317361", "9901067"):
        text = text.replace(f">{code}<", ">1234567<")
    (tmp_path / "a.xml").write_text(text, encoding="utf-8")
    found = [item for part in nemsis.read(tmp_path / "a.xml", ABOUT) for item in part.unknown]
    assert {item.name for item in found} & {"eProcedures.03 1234567", "eMedications.03 1234567", "eVitals.03 1234567"}
    assert all(item.kind == "code" and item.where.startswith("a.xml line ") for item in found)


@pytest.mark.skipif(not importlib.util.find_spec("wfdb"), reason="the package wfdb is not installed")
def test_wfdb(tmp_path):
    (tmp_path / "rec.hea").write_text("rec 1 250 500\nrec.dat 16 200/mV 16 0 0 0 0 sternum\n", encoding="utf-8")
    (tmp_path / "rec.dat").write_bytes(np.arange(500, dtype="<i2").tobytes())
    (part,) = wfdb_record.read(tmp_path / "rec.hea", ABOUT)
    assert short(part) == [("channel", "sternum", 1)]


def test_what_is_understood_leaves_nothing(tmp_path):
    (tmp_path / "a").write_text(signal_csv(), encoding="utf-8")
    assert signal_table.read(tmp_path / "a", ABOUT)[0].unknown == ()
    assert edf.read(write_edf(tmp_path / "b", annotations=[tal(1, "shock 200J")]), ABOUT)[0].unknown == ()


# A map says it once.


def case_of(tmp_path, *maps, **files):
    return read_case(write_folder(tmp_path / "c", **files), maps=maps)


def test_labels_of_a_recording_by_a_map(tmp_path):
    """The label by the map, its unit by the file, its sign by the map, the rails with it."""
    case = case_of(tmp_path, LABELS, m__edf=edf_bytes(range(3), label="STERNUM-TRAVEL", unit="mm"))
    (signal,) = case.of_channel("compression_depth")
    assert (signal.unit, signal.label, signal.rails) == ("mm", "STERNUM-TRAVEL", (-100, 100))
    assert signal.pieces[0].values[:3] == pytest.approx([0, -0.1, -0.2])
    notes = told(case.notes)
    assert "“STERNUM-TRAVEL”: taken as compression_depth, as the map “monitors” says" in notes
    assert "multiplied by -1, as the map “monitors” says" in notes


def test_a_unit_that_is_not_known_by_a_map(tmp_path):
    case = case_of(tmp_path, LABELS, m__csv="time_s,depth[furlong]\n0,1\n1,2\n", n__csv="time_s,sternum travel[]\n0,1\n1,2\n")
    assert [signal.pieces[0].values.tolist() for signal in case.of_channel("compression_depth")] == [[10, 20], [-10, -20]]
    assert "its unit is cm, as the map says, not “furlong”" in told(case.notes)


def test_the_header_then_the_vocabulary_then_the_map(tmp_path):
    """What case.toml says of a label wins over the vocabulary, and that over a map, which is then said."""
    map_ = Map("odd", labels=(Column("depth", "ecg", "mV"), Column("x", "ecg", "mV")))
    header = '[[source]]\nfile = "m.csv"\n[source.channels]\n"x" = "co2"\n'
    case = case_of(tmp_path, map_, m__csv="time_s,depth[mm],x[mmHg]\n0,1,2\n1,2,3\n", case__toml=header)
    assert [signal.channel for signal in case.signals] == ["compression_depth", "co2"]
    assert "“depth”: compression_depth by case.toml or by its name, not ecg as the map “odd” says" in told(case.notes)


def test_a_label_that_a_map_leaves_out(tmp_path):
    map_ = Map("odd", labels=(Column("battery", "ignored"), Column("colour", "ignored")))
    case = case_of(tmp_path, map_, m__csv="time_s,ecg[mV],battery\n0,1,2\n1,2,3\n", e__csv="time_s,type,colour\n1,rosc,red\n")
    assert [signal.channel for signal in case.signals] == ["ecg"]
    assert "“battery”: left out, as the map “odd” says" in told(case.notes)
    assert "colour are not known" not in told(case.notes)


def test_words_of_annotations_lists_and_logs_by_a_map(tmp_path):
    """Whole texts, beginnings with the rest behind them, the type column of a list; a word of the vocabulary stays what it is."""
    case = case_of(
        tmp_path,
        WORDS,
        m__edf=edf_bytes(
            range(6), annotations=[tal(0.5, "itd placed"), tal(1.5, "Defib given 200J"), tal(2.5, "Defib given energy=150J x=1")]
        ),
        e__csv="time_s,type\n3,ITD-placed\n4,lunch\n",
    )
    rows = case.events[["time_s", "type", "value"]].to_numpy().tolist()
    assert rows == [
        [0.5, "device_on", "itd"],
        [1.5, "shock", "200"],
        [2.5, "shock", "150"],
        [3, "device_on", "itd"],
        [4, "note", "meal"],
    ]
    assert "info m.edf: by the map “words” read: “ITD placed” as device_on itd (1), “Defib given” as shock (2)" in told(case.notes)
    assert "info e.csv: by the map “words” read: “ITD placed” as device_on itd (1), “lunch” as note meal (1)" in told(case.notes)


def test_words_of_a_dispatch_log_by_a_map(tmp_path):
    map_ = Map("cad", words=(Word("10-97", "on_scene"), Word("Dispatched", "on_scene"), Word("unused", "rosc")))
    log = "unit,time,status\nM31,2031-04-17T09:01:00Z,Dispatched\nM31,2031-04-17T09:05:47Z,10-97\n"
    case = case_of(tmp_path, map_, d__csv=log)
    assert case.events["type"].tolist() == ["dispatched", "on_scene"]
    assert "“10-97” is read as on_scene by the map “cad”" in told(case.notes)
    assert "rosc" not in case.sources[0].could_chart


def test_a_word_of_a_map_makes_no_dispatch_log_of_a_table(tmp_path):
    """Words for any file do not make a file known."""
    case = case_of(tmp_path, Map("cad", words=(Word("Alarm", "dispatched"),)), d__csv="Alarm,x\n1,2\n", m__csv=signal_csv())
    assert [source.file for source in case.sources] == ["m.csv"]


def test_words_by_maps_do_not_reach_the_header(tmp_path):
    about = SourceHeader(
        columns={"zap": "shock"}, words={"zap": Word("Zap", "charge", of_map="m"), "rosc": Word("rosc", "shock", of_map="m")}
    )
    assert about.event_words == {"zap": Word("zap", "shock")}
