"""Times in every form, against Python's datetime, pandas and Microsoft's own example."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qi.intake.map_form import TimeFormat
from qi.intake.written_times import as_times, past_midnight, read_times, why_not, wrong_format

# Two digits of a year are 1969 to 2068 (Python, time, strptime: POSIX convention).
MOMENTS = st.datetimes(datetime(1990, 1, 1), datetime(2068, 12, 31)).map(
    lambda at: at.replace(microsecond=at.microsecond // 1000 * 1000)
)
PATTERNS = (
    *("%d.%m.%Y %H:%M:%S.%f", "%m/%d/%Y %I:%M:%S.%f %p", "%Y-%m-%dT%H:%M:%S,%f", "%d-%b-%Y %H:%M:%S.%f", "%y%m%d %H%M%S.%f"),
    "%d.%m.%Y %H:%M:%S:%f",
)


def texts(*cells):
    return pd.Series(list(cells), dtype="str")


@settings(max_examples=100, deadline=None)
@given(st.lists(MOMENTS, min_size=1, max_size=5), st.sampled_from(PATTERNS))
def test_a_pattern_reads_what_python_writes(moments, pattern):
    """Outside check: datetime.strftime of the standard library."""
    written = read_times(texts(*(at.strftime(pattern) for at in moments)), pattern)
    assert written.stamps.dt.to_pydatetime().tolist() == moments
    assert written.first == moments[0]


@settings(max_examples=50, deadline=None)
@given(st.lists(MOMENTS, min_size=1, max_size=5))
def test_iso_against_pandas(moments):
    """Outside check: pandas.to_datetime."""
    written = read_times(texts(*(at.isoformat() for at in moments)), "iso")
    assert written.stamps.tolist() == pd.to_datetime(pd.Series([at.isoformat() for at in moments]), format="ISO8601").tolist()


@settings(max_examples=50, deadline=None)
@given(st.lists(MOMENTS, min_size=1, max_size=5), st.sampled_from([("epoch_s", 1.0), ("epoch_ms", 1000.0)]))
def test_epoch_against_python(moments, form):
    """Outside check: datetime.timestamp (POSIX time, UTC)."""
    name, factor = form
    written = read_times(texts(*(f"{at.replace(tzinfo=UTC).timestamp() * factor:.3f}" for at in moments)), name)
    apart = [(read - at).total_seconds() for read, at in zip(written.stamps.dt.to_pydatetime(), moments, strict=True)]
    assert apart == pytest.approx([0] * len(moments), abs=2e-6)
    assert written.first.tzinfo is UTC


@settings(max_examples=50, deadline=None)
@given(st.lists(MOMENTS, min_size=1, max_size=5))
def test_spreadsheet_days_against_pandas(moments):
    """Outside check: pandas.to_datetime(unit="D", origin="1899-12-30"), to a millisecond."""
    days = [(at - datetime(1899, 12, 30)) / timedelta(days=1) for at in moments]
    written = read_times(texts(*(f"{day:.9f}" for day in days)), "excel_days")
    outside = pd.to_datetime(pd.Series(days), unit="D", origin="1899-12-30")
    assert ((written.stamps - outside).abs() < pd.Timedelta(milliseconds=1)).all()


@pytest.mark.parametrize(
    ("serial", "day"),
    [
        ("40729", datetime(2011, 7, 5)),  # Microsoft, “Date systems in Excel”: July 5, 2011 in the 1900 date system
        ("45000", datetime(2023, 3, 15)),  # from memory
        ("25569,5", datetime(1970, 1, 1, 12)),  # from memory
    ],
)
def test_spreadsheet_days_of_the_1900_date_system(serial, day):
    assert read_times(texts(serial), "excel_days", decimal=",").first == day


@pytest.mark.parametrize(
    ("form", "cells", "seconds"),
    [
        ("elapsed_s", ("0", "1.5", "-2", "x", "", "1e300"), (0, 1.5, -2, None, None, None)),
        ("elapsed_ms", ("0", "1500"), (0, 1.5)),
        (
            "elapsed_clock",
            ("0:05", "12:07.5", "1:12:07", "75:00", "-0:10", "1:75:00", "0:60", "5", "24:00:00"),
            (5, 727.5, 4327, 4500, -10, None, None, None, 86400),
        ),
    ],
)
def test_elapsed_times(form, cells, seconds):
    read = read_times(texts(*cells), form).seconds
    assert read == pytest.approx([np.nan if value is None else value for value in seconds], nan_ok=True)


def test_decimal_comma_and_no_other_sign():
    assert read_times(texts("1,5", "1.5", "1.500,5"), "elapsed_s", decimal=",").seconds == pytest.approx(
        [1.5, np.nan, np.nan], nan_ok=True
    )


def test_a_pattern_with_an_offset():
    written = read_times(texts("17.04.2031 14:02:11 -0600", "17.04.2031 21:02:12 +0100"), "%d.%m.%Y %H:%M:%S %z")
    assert written.first == datetime.fromisoformat("2031-04-17T14:02:11-06:00")
    assert written.first.utcoffset() == timedelta(hours=-6)
    assert (written.stamps[1] - written.stamps[0]).total_seconds() == 1


def test_a_fraction_may_be_left_out():
    """Exports often write 14:02:11 among 14:02:11.5."""
    written = read_times(texts("17.04.2031 14:02:11", "17.04.2031 14:02:11.5"), "%d.%m.%Y %H:%M:%S.%f")
    assert (written.stamps[1] - written.stamps[0]).total_seconds() == 0.5


@pytest.mark.parametrize("form", ["%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M:%S.%f", "iso"])
def test_hour_24_and_second_60_are_not_rolled_over(form):
    """data-standards.md section 4. pandas itself reads a second of 60 as the next minute."""
    day = "2031-04-17T" if form == "iso" else "17.04.2031 "
    cells = texts(f"{day}24:00:00", f"{day}14:02:60", f"{day}14:02:61", f"{day}14:61:00", f"{day}14:02:59")
    assert read_times(cells, form).usable.tolist() == [False, False, False, False, True]
    assert "the hour 24 does not exist" in why_not(cells[0], form)
    assert "minutes and seconds end at 59" in why_not(cells[1], form)


def test_centiseconds_of_60_are_no_seconds():
    assert read_times(texts("17.04.2031 14:02:11:60"), "%d.%m.%Y %H:%M:%S:%f").usable.all()


@pytest.mark.parametrize(
    ("text", "form", "why"),
    [
        ("", "iso", "blank"),
        ("soon", "iso", "“soon” is not a time"),
        ("2031-04-17T14:02:11Z", "iso", "has an offset where the first row has none"),
        ("soon", "elapsed_s", "not a time in seconds from the start"),
        ("4/17/2031", "%d.%m.%Y %H:%M", "not of the form %d.%m.%Y %H:%M"),
    ],
)
def test_why_a_time_cannot_be_read(text, form, why):
    assert why in why_not(text, form)


def test_moments_out_of_all_bounds_are_none():
    assert not read_times(texts("1", "-5", "999999999"), "excel_days").usable.any()
    assert not read_times(texts("1e30"), "epoch_s").usable.any()
    assert not read_times(texts("01.01.0001 00:00", "01.01.1900 10:00"), "%d.%m.%Y %H:%M").usable.any()


@pytest.mark.parametrize(
    ("given_", "read", "turns"),
    [
        ([86390, 86399, 5], [86390, 86399, 86405], [2]),
        ([86390, np.nan, 5, 86399, 10], [86390, np.nan, 86405, 86399, 86410], [2, 3, 4]),
        ([50000, 10000], [50000, 10000], []),  # 11 h back: out of order, no midnight
        ([10, 86399], [10, 86399], []),
        ([43300, 50], [43300, 86450], [1]),
        ([], [], []),
    ],
)
def test_past_midnight(given_, read, turns):
    """A drop of more than 12 h is the next day (data-standards.md section 4); a late entry of the day before goes back to it."""
    seconds, at = past_midnight(np.array(given_, dtype=float))
    assert seconds == pytest.approx(read, nan_ok=True)
    assert at == turns


def test_time_of_day_alone_counts_from_the_first_row_and_is_said():
    form = TimeFormat(("t",), "%H:%M:%S")
    times = as_times(read_times(texts("23:59:58", "23:59:59", "00:00:00"), form.format), form, "America/Denver")
    assert (times.seconds.tolist(), times.start) == ([0, 1, 2], None)
    assert "its seconds count from 23:59:58" in times.notes[0][1]
    assert "passes midnight at row 3" in times.notes[1][1]


def test_spreadsheet_times_without_a_day():
    """A fraction below 1 is a time of day: 0.75 is 18:00 (from memory)."""
    written = read_times(texts("0.75", "0.750011574074"), "excel_days")
    assert written.is_time_of_day
    assert written.seconds == pytest.approx([64800, 64801], abs=1e-4)


def test_the_zone_of_the_map_and_both_readings_in_the_repeated_hour():
    """US zones leave daylight time on 2031-11-02 at 02:00."""
    form = TimeFormat(("t",), "%d.%m.%Y %H:%M:%S", "America/Denver")
    times = as_times(read_times(texts("02.11.2031 01:30:00", "02.11.2031 01:30:01"), form.format), form, "Europe/Berlin")
    assert times.start == datetime.fromisoformat("2031-11-02T01:30:00-06:00")
    assert "the other reading is 2031-11-02 01:30:00-07:00" in times.notes[0][1]


@pytest.mark.parametrize("form", ["iso", "epoch_ms", "%d.%m.%y %H:%M", "%H:%M:%S.%f", "%b %d %Y %I:%M %p"])
def test_forms_that_are_known(form):
    assert wrong_format(form) is None


@settings(max_examples=100, deadline=None)
@given(st.text(st.sampled_from("%dmYyHMSfpzbBIx .:/"), max_size=14))
def test_any_form_is_refused_in_words_or_reads_without_raising(form):
    if wrong_format(form) is None:
        read_times(texts("17.04.2031 14:02:11", "", "x"), form)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.text(max_size=20), max_size=6), st.sampled_from(["iso", "elapsed_clock", "epoch_ms", "excel_days", *PATTERNS]))
def test_any_text_reads_or_is_missing(cells, form):
    written = read_times(texts(*cells), form)
    assert len(written.usable) == len(cells)
    for cell in cells:
        assert why_not(cell, form)
