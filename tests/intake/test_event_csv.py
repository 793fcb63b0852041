"""Events by hand in CSV."""

from datetime import datetime

import pandas as pd
import pytest

from qi.intake import event_csv
from qi.intake.event_words import from_annotation
from qi.intake.header import SourceHeader
from qi.model.errors import UnreadableFile
from qi.model.vocabulary import EVENT_VALUES
from tests.intake.made_files import ABOUT, EVENTS_CSV, told


def read(tmp_path, text, about=ABOUT):
    path = tmp_path / "a.csv"
    path.write_text(text, encoding="utf-8")
    (part,) = event_csv.read(path, about)
    return part


def test_times_types_and_fields(tmp_path):
    part = read(tmp_path, EVENTS_CSV)
    assert part.start == datetime.fromisoformat("2031-04-17T14:03:00-06:00")
    assert part.events["time_s"].tolist() == [0, 130, 180]
    assert part.events["type"].tolist() == ["cpr_started", "shock", "drug"]
    assert part.events.loc[1, ["value", "unit", "by"]].tolist() == ["200", "J", "medic"]
    assert part.events.loc[2, ["value", "dose", "unit"]].tolist() == ["epinephrine", 1.0, "mg"]
    assert part.could_chart == set(EVENT_VALUES)
    assert part.notes == ()


@pytest.mark.parametrize(
    "above", ["# A caution.\n", '\ufeff# A caution, with a comma.\n# “A” "notice, time_s, type\r\n', "# \n" * 50]
)
def test_lines_of_words_above_the_names_are_passed_over(tmp_path, above):
    text = "time_s,type,end\n12.5,pause,20\n30,rosc,25\n5,shock\n"
    plain, worded = read(tmp_path, text), read(tmp_path, above + text)
    assert event_csv.recognises(tmp_path / "a.csv")
    pd.testing.assert_frame_equal(worded.events, plain.events)
    assert worded.unknown == plain.unknown == ()
    lines = above.count("\n")
    assert "line 3: it ends before it begins" in told(plain.notes)
    assert f"line {3 + lines}: it ends before it begins" in told(worded.notes)
    assert f"line {4 + lines}: not 3 cells as in line {1 + lines}" in told(worded.notes)


def test_a_column_called_number_sign_is_a_column_and_words_alone_are_no_list(tmp_path):
    part = read(tmp_path, "#,time_s,type\n1,12.5,shock\n")
    assert part.events["type"].tolist() == ["shock"]
    assert "columns # are not known" in told(part.notes)
    for text in ("# A caution.\n", "# A caution.", "# A caution.\ntime_s,ecg[mV]\n0,1\n", "time_s,ecg[mV]\n# time_s,type\n"):
        (tmp_path / "b.csv").write_text(text, encoding="utf-8")
        assert not event_csv.recognises(tmp_path / "b.csv")
    with pytest.raises(UnreadableFile, match="line 2: should name the columns"):
        read(tmp_path, "# A caution.\n")


def test_seconds_and_ends(tmp_path):
    part = read(tmp_path, "time_s,type,end,value\n12.5,pause,20,Rhythm Check\n30,rosc,25,\n")
    assert part.start is None
    assert part.events.loc[0, ["time_s", "end_s", "value"]].tolist() == [12.5, 20.0, "rhythm_check"]
    assert part.events["end_s"].isna().tolist() == [False, True]
    assert "line 3: it ends before it begins" in told(part.notes)


@pytest.mark.parametrize("word", sorted(EVENT_VALUES))
def test_every_word_of_the_vocabulary_is_known(tmp_path, word):
    part = read(tmp_path, f"time_s,type\n1,{word.upper().replace('_', ' ')}\n")
    assert part.events["type"].tolist() == [word]


def test_a_word_of_the_map(tmp_path):
    part = read(tmp_path, "time_s,type\n1,Zap\n", SourceHeader(columns={"zap": "shock"}))
    assert part.events["type"].tolist() == ["shock"]


def test_unknown_value_is_kept_and_listed(tmp_path):
    part = read(tmp_path, "time_s,type,value\n1,pause,lunch\n")
    assert part.events.loc[0, ["type", "value"]].tolist() == ["pause", "lunch"]
    assert "the value “lunch” is not known for pause (choose from shock, airway" in told(part.notes)


def test_a_row_that_repeats_another_is_put_aside_but_compressions_may(tmp_path):
    part = read(tmp_path, "time_s,type\n1,shock\n1,shock\n2,compression\n2,compression\n")
    assert part.events["type"].tolist() == ["shock", "compression", "compression"]
    assert "line 3: the same as a row above" in told(part.notes)


def test_dose_that_is_no_number(tmp_path):
    part = read(tmp_path, "time_s,type,value,dose\n1,drug,epinephrine,one\n")
    assert part.events["dose"].isna().all()
    assert part.events.loc[0, "text"] == "dose=one"


def test_header_without_type_is_refused(tmp_path):
    with pytest.raises(UnreadableFile, match="line 1"):
        read(tmp_path, "time,what\n1,2\n")


@pytest.mark.parametrize(
    ("text", "kind", "value", "more"),
    [
        ("shock 200J", "shock", "200", None),
        ("shock energy=150J current=12A", "shock", "150", "current=12A"),
        ("Device_on ITD", "device_on", "itd", None),
        ("airway_placed tracheal tube", "airway_placed", "tracheal_tube", None),
        ("note patient is cold", "note", "patient is cold", None),
        ("Recording starts", "unmapped", None, "Recording starts"),
    ],
)
def test_annotation_forms(text, kind, value, more):
    """First word the type, the rest the value, key=value where given (case-format.md, section 1)."""
    made, _ = from_annotation(1.0, text, words={}, end_s=None)
    assert (made.type, made.value, made.text) == (kind, value, more)
