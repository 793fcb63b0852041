"""EDF+ that we write: opened by another library (pyEDFlib, which is built on EDFlib) and by our own reader."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pyedflib
import pytest

from qi.exports import edf_plus
from qi.exports.edf_words import LONGEST_BYTES, annotations, short
from qi.intake import edf
from qi.intake.header import SourceHeader
from qi.model.case import Piece
from qi.model.cautions import SHORT
from qi.model.vocabulary import CHANNELS, channel_named
from tests.exports.made import GOOD, SAMPLES, WITH_GAP, corrected, event_rows, review_of, sample, wave

EVERY = pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)


def opened(tmp_path, review, *, identity=True):
    """The file, and what pyEDFlib makes of it: channels as (values, rate, step) and annotations."""
    path = tmp_path / "case.edf"
    edf_plus.write(path, review, identity=identity, id_="case-0")
    with pyedflib.EdfReader(str(path)) as file:
        channels = []
        for at in range(file.signals_in_file):
            low, high = file.getPhysicalMinimum(at), file.getPhysicalMaximum(at)
            step = (high - low) / (file.getDigitalMaximum(at) - file.getDigitalMinimum(at))
            channels.append((file.readSignal(at), file.getSampleFrequency(at), step, low))
        return path, channels, file.readAnnotations(), file.getSignalLabels()


def nearest(signal, times_s):
    """By brute force: the value of the sample nearest to each time and how far it is [samples]; NaN beyond half a sample."""
    values, away = np.full(len(times_s), np.nan), np.full(len(times_s), np.inf)
    for piece in signal.pieces:
        at = np.searchsorted(piece.times_s, times_s)
        for side in (at - 1, at):
            inside = np.clip(side, 0, len(piece.values) - 1)
            apart = np.abs(piece.times_s[inside] - times_s) * piece.rate_hz
            closer = apart < away
            values[closer], away[closer] = piece.values[inside[closer]], apart[closer]
    return values, away


@EVERY
def test_another_library_reads_every_signal_within_half_a_step(path, tmp_path):
    review = sample(path)
    _, channels, _, labels = opened(tmp_path, review)
    assert len(channels) == len(review.case.signals)
    for signal, label, (values, rate_hz, step, lowest) in zip(review.case.signals, labels, channels, strict=True):
        assert channel_named(label) == signal.channel
        times = np.arange(len(values)) / rate_hz
        expected, away = nearest(signal, times)
        there = away < 0.01
        assert there.sum() == sum(len(piece.values) for piece in signal.pieces)
        assert np.abs(values[there] - expected[there]).max() <= step * 0.5001
        assert not (~there).any() or values[~there].max() < lowest + step / 4 < values[there].min()


@EVERY
@pytest.mark.parametrize("identity", [True, False])
def test_another_library_reads_every_annotation_as_it_was_meant(path, identity, tmp_path):
    review = sample(path)
    _, _, (onsets, lengths, texts), _ = opened(tmp_path, review, identity=identity)
    if not identity:
        assert sorted(set(texts))  # what stands in them is held in test_shareable.py
        return
    meant = sorted(annotations(review), key=lambda words: (words.onset_s, words.text, words.seconds or -1))
    read = sorted(zip(onsets, lengths, texts, strict=True), key=lambda one: (one[0], one[2], one[1]))
    read = [one for one in read if not one[2].startswith(("no samples: ", "left out: "))]
    assert sorted(words[2] for words in meant) == sorted(one[2] for one in read)
    by_text = {}
    for onset, seconds, text in meant:
        by_text.setdefault(text, []).append((onset, seconds))
    for text, told in by_text.items():
        got = [(onset, length) for onset, length, other in read if other == text]
        for (onset, seconds), (got_onset, got_length) in zip(told, got, strict=True):
            assert got_onset == pytest.approx(onset, abs=1e-6)
            assert got_length == (pytest.approx(-1) if seconds is None else pytest.approx(seconds, abs=1e-6))


@EVERY
def test_our_own_reader_gives_the_events_back_as_they_were(path, tmp_path):
    review = sample(path)
    file, *_ = opened(tmp_path, review)
    (part,) = edf.read(file, SourceHeader())
    back = part.events[part.events["type"] != "unmapped"].reset_index(drop=True)
    told = review.case.events.reset_index(drop=True)
    assert len(back) == len(told)
    assert np.allclose(back["time_s"], told["time_s"], atol=1e-6)

    def rows(table):
        spaced = {name: table[name].fillna("").str.replace(r"[_;]", " ", regex=True) for name in ("value", "unit", "by", "text")}
        spaced["text"] = spaced["text"].str.replace(r" ?source=\S+.*$", "", regex=True)
        return sorted(
            zip(
                *(table[name].fillna(-1).round(4) for name in ("time_s", "end_s", "dose")),
                table["type"],
                *spaced.values(),
                strict=True,
            ),
        )

    assert rows(back) == rows(told)


def test_a_recording_of_16_bits_between_known_rails_comes_out_exactly(tmp_path):
    review = sample(GOOD)
    file, *_ = opened(tmp_path, review)
    (part,) = edf.read(file, SourceHeader())
    for signal, back in zip(review.case.signals, part.signals, strict=True):
        assert (signal.channel, signal.rails) == (back.channel, back.rails)
        assert np.array_equal(signal.pieces[0].values, back.pieces[0].values)


def test_a_gap_stays_a_gap_and_is_said(tmp_path):
    review = sample(WITH_GAP)
    file, _, (onsets, lengths, texts), _ = opened(tmp_path, review)
    gaps = [(onset, length) for onset, length, text in zip(onsets, lengths, texts, strict=True) if text.startswith("no samples: ")]
    assert gaps == [(610.0, 40.0)] * len(review.case.signals)
    (part,) = edf.read(file, SourceHeader())
    for signal, back in zip(review.case.signals, part.signals, strict=True):
        if np.isfinite(CHANNELS[signal.channel].lowest):  # below the plausible range: our reader takes it as unknown
            assert back.recorded == signal.recorded


def test_two_clocks_odd_rates_and_a_remainder_stand_within_half_a_sample(tmp_path):
    first = wave("ecg", "mV", 99.73, (0.0, 12_345))
    second = wave("compression_depth", "mm", 62.5, (40.1373, 1000), (80.02, 777), source="b.edf", clock="b")
    slow = wave("etco2", "mmHg", 0.5, (0.7, 50))
    review = review_of(first, second, slow)
    _, channels, (_, _, texts), _ = opened(tmp_path, review)
    for signal, (values, rate_hz, step, lowest) in zip(review.case.signals, channels, strict=True):
        times = np.arange(len(values)) / rate_hz
        expected, away = nearest(signal, times)
        there = values > lowest + step / 4
        assert away[there].max() <= 0.5 + 1e-3
        assert away[~there].min() >= 0.5 - 1e-3
        assert np.abs(values[there] - expected[there]).max() <= step * 0.5001
        assert there.sum() == sum(len(piece.values) for piece in signal.pieces)
    assert not [text for text in texts if "stand twice" in text]


def test_a_rate_that_no_record_makes_whole_is_said_with_its_count(tmp_path):
    signal = wave("ecg", "mV", 124.98713, (0.0, 200_000))
    _, ((values, rate_hz, step, lowest),), (_, _, texts), _ = opened(tmp_path, review_of(signal))
    assert rate_hz >= 124.98713
    twice = int((values > lowest + step / 4).sum()) - 200_000
    assert twice > 0
    assert [text for text in texts if f": {twice} samples stand twice, 0 are left out" in text]


@pytest.mark.parametrize(("identity", "year"), [(True, 2031), (False, 1985)])
def test_the_start_is_local_or_not_there_at_all(identity, year, tmp_path):
    start = datetime(2031, 4, 17, 23, 59, 58, 250_000, tzinfo=timezone(timedelta(hours=-6)))
    events = event_rows({"time_s": 3.125, "type": "shock", "value": "200", "unit": "J", "clock": "a"})
    path, _, (onsets, _, texts), _ = opened(
        tmp_path, review_of(wave("ecg", "mV", 100.0, (0.0, 1000)), events=events, start=start), identity=identity
    )
    with pyedflib.EdfReader(str(path)) as file:
        assert file.getStartdatetime().year == year
        if identity:
            assert (file.startdate_day, file.starttime_hour, file.starttime_second) == (17, 23, 58)
            assert file.starttime_subsecond == 2_500_000
    (part,) = edf.read(path, SourceHeader())
    assert part.start == (start.replace(tzinfo=None) if identity else None)
    shock = next(onset for onset, text in zip(onsets, texts, strict=True) if text == "shock 200 unit=J")
    assert shock == pytest.approx(3.125, abs=1e-6)
    assert part.events.set_index("type")["time_s"]["shock"] == pytest.approx(3.125, abs=1e-6)
    assert (b"2031" in path.read_bytes()) == identity


@pytest.mark.parametrize("channel", CHANNELS)
def test_every_channel_has_a_label_that_fits_and_that_our_reader_knows(channel):
    name = edf_plus.label(wave(channel, CHANNELS[channel].unit, 1.0, (0.0, 2)))
    assert len(name) <= 16
    assert name.isascii()
    assert channel_named(name) == channel


def test_events_without_any_signal_make_a_file_of_annotations(tmp_path):
    rows = [
        {"time_s": 0.0, "type": "cpr_started", "by": "family member"},
        {"time_s": 20.0, "type": "pause", "value": "moving", "end_s": 31.5},
        {"time_s": 30.0, "type": "drug", "value": "sodium bicarbonate", "dose": 50.0, "unit": "mEq"},
        {"time_s": 40.0, "type": "unmapped", "text": "Lid opened, “ä” key=4"},
        {"time_s": 50.0, "type": "note", "value": "a=b  c", "text": "two\nlines"},
    ]
    file, channels, _, _ = opened(tmp_path, review_of(events=event_rows(*rows)))
    assert channels == []
    (part,) = edf.read(file, SourceHeader())
    assert part.kind == "events"
    known = part.events.set_index("type")
    assert known["end_s"]["pause"] == 31.5
    assert (known["value"]["drug"], known["dose"]["drug"], known["unit"]["drug"]) == ("sodium bicarbonate", 50.0, "mEq")
    assert known["by"]["cpr_started"] == "family_member"
    assert known["value"]["note"] == "a:b c"
    assert known["text"]["note"] == "two_lines"
    assert "Lid opened, “ä” key=4" in set(known["text"]["unmapped"])


def test_what_a_machine_found_is_never_read_again_as_charted_and_stands_apart_from_a_reviewer(tmp_path):
    review = corrected()
    file, _, (_, _, texts), _ = opened(tmp_path, review)
    counts = {text: list(texts).count(text) for text in set(texts)}
    assert counts["reviewer compression"] == 1
    assert counts["found compression"] == len(review.findings.compressions) - 1
    assert counts["reviewer ventilation"] == 1
    assert counts["found pause moving cause_by=reviewer"] == 1
    assert [text for text in texts if text.startswith("shock 200") and text.endswith("source=reviewer")]
    (part,) = edf.read(file, SourceHeader())
    assert not set(part.events["type"]) & {"compression", "ventilation", "pause"}
    assert (part.events["type"] == "shock").sum() == (review.case.events["type"] == "shock").sum()


def test_the_caution_stands_at_0_s_and_long_texts_are_cut_where_readers_cut_them(tmp_path):
    _, _, (onsets, _, texts), _ = opened(tmp_path, sample(GOOD))
    assert 0.0 in [onset for onset, text in zip(onsets, texts, strict=True) if text == SHORT]
    assert len(short("ä" * 400).encode()) <= LONGEST_BYTES
    assert short("a\x14b\x00c") == "a b c"


def test_values_that_fit_into_no_field_are_left_out_and_said(tmp_path):
    huge = wave("counter", "", 10.0, (0.0, 100))
    huge = type(huge)("counter", "", (Piece(0.0, 10.0, huge.pieces[0].values * np.float32(1e12)),), "a.edf", clock="a")
    _, channels, (_, _, texts), _ = opened(tmp_path, review_of(huge, wave("ecg", "mV", 10.0, (0.0, 100))))
    assert len(channels) == 1
    assert [text for text in texts if text.startswith("left out: counter")]


def test_a_start_before_the_formats_first_year_is_not_written(tmp_path):
    review = review_of(wave("ecg", "mV", 100.0, (0.0, 1000)), start=datetime(1979, 1, 1, tzinfo=UTC))
    path, *_ = opened(tmp_path, review)
    assert edf.read(path, SourceHeader())[0].start is None


@pytest.mark.parametrize(
    ("id_", "written"),
    [("RV 2031-07", "RV 2031-07"), ("Größe-7", "Grosse-7"), ("№\u00a012", "No 12"), ("\ue000", "X"), ("x" * 40, "x" * 24)],
)
def test_a_case_s_number_is_one_subfield_of_the_header_in_ascii(id_, written, tmp_path):
    """EDF+ specification, section 2.1.3: blanks part the subfields; the other library reads “_” as one again."""
    review = review_of(wave("ecg", "mV", 100.0, (0.0, 1000)))
    edf_plus.write(tmp_path / "a.edf", replace(review, case=replace(review.case, id=id_)), identity=True)
    with pyedflib.EdfReader(str(tmp_path / "a.edf")) as file:
        assert file.getAdmincode() == ("" if written == "X" else written)
