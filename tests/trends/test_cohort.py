"""The cohort table: its contract, rows, files by month, reading, what a change of definitions changed."""

import json
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qi.exports.records import measure_record
from qi.measures import MEASURES
from qi.measures.times import INTERVALS
from qi.model.errors import BadTable, UnreadableFile
from qi.pipeline import measure_case
from qi.trends import cohort
from qi.trends import cohort_store as store
from qi.trends.cohort_columns import ABOUT, ANSWER_NAMES, ANSWERS, COHORT, NOT_IN_THE_ROW, PARTS, check

SAMPLES = Path(__file__).parents[2] / "sample_cases"
NOW = datetime(2032, 1, 1, tzinfo=UTC)
FRACTION = "compression_fraction"


def about(key="one", at=datetime(2031, 3, 18, 7, 41, tzinfo=UTC), **other):
    """A row without measures."""
    day = None if at is None else datetime(at.year, at.month, at.day)
    plain = {
        "key": key,
        "case_id": f"rv-{key}",
        "agency": "Rillstone Valley EMS",
        "call_at": at,
        "call_day": day,
        "year": at.year if at else 0,
        "month": at.month if at else 0,
        "station": "2",
        "excluded": "",
        "source": "machine",
        "version": 0,
        "measured_anew": False,
        "sensors": "compression_depth/",
        "has_recording": True,
        "measurable": True,
        "protocol": "adult-2020",
        "definitions_digest": "abc",
        "last_line": 0,
        "measured_at": NOW,
    }
    return plain | other


def answer(value, id_=FRACTION, verdict="met", **other):
    return {"id": id_, "value": value, "low": value, "high": value, "n": 9, "coverage": 1.0, "verdict": verdict} | other


def made(*rows):
    return cohort.cases_table(rows)


def events(table, *rows):
    return cohort.events_table(rows, table)


@pytest.fixture
def place(tmp_path):
    store.begin(tmp_path / "now", store.About("abc", NOW))
    return tmp_path / "now"


def put(place, *rows, pauses=(), shocks=()):
    store.put(place, made(*rows), events("pauses", *pauses), events("shocks", *shocks))


@cache
def sample(name):
    return measure_case(SAMPLES / name)


# The contract.


def test_every_measure_of_the_list_has_a_column_but_for_those_by_the_minute():
    assert {measure.id for measure in MEASURES} - set(NOT_IN_THE_ROW) == set(ANSWERS)


def test_every_interval_has_a_column():
    assert {f"{end}.{start}" for start, end in INTERVALS} == set(ANSWERS["interval_s"])


def test_no_two_columns_share_a_name_and_each_says_what_it_is():
    names = [column.name for column in COHORT]
    assert len(set(names)) == len(names) == len(ABOUT) + len(ANSWER_NAMES) * len(PARTS)
    assert all(column.meaning for column in COHORT)


@pytest.mark.parametrize("name", ["rv-2031-0107", "rv-2031-0112", "rv-2031-0118", "rv-2031-0125", "rv-2031-0131"])
def test_every_answer_of_the_sample_cases_stands_in_its_column(name):
    review = sample(name)
    (row,) = made(cohort.row(about(), [measure_record(one) for one in review.numbers])).to_dict("records")
    for one in review.numbers:
        suffix = ".".join(filter(None, (one.of, one.from_)))
        column = f"{one.id}.{suffix}" if suffix else one.id
        if one.id in NOT_IN_THE_ROW or (one.id == "epinephrine_interval_s" and suffix):
            assert column not in row
        elif column in ANSWER_NAMES:
            assert row[column] == pytest.approx(np.nan if one.value is None else one.value, abs=1e-6, nan_ok=True)
            assert row[f"{column}__verdict"] == one.verdict
            assert row[f"{column}__high"] == pytest.approx(one.number.high or np.nan, abs=1e-6, nan_ok=True) or not one.number.high
            assert pd.isna(row[f"{column}__status"]) if one.number.status is None else row[f"{column}__status"] == one.number.status
        else:
            assert one.value is None, f"{column} has a value and no column"


def test_a_measure_that_a_case_cannot_show_at_all_is_so_in_each_of_its_answers():
    row = cohort.row(about(), [answer(None, "fraction_if_pauses_held", "not measurable")])
    assert row["fraction_if_pauses_held.airway__verdict"] == row["fraction_if_pauses_held.all__verdict"] == "not measurable"
    alone = cohort.row(about(), [answer(None, verdict="not measurable")])
    assert f"{FRACTION}__verdict" in alone
    assert f"{FRACTION}.mechanical__verdict" not in alone  # there was no machine


def test_an_answer_or_measure_without_a_column_is_not_lost_in_silence():
    with pytest.raises(BadTable, match=r"compression_fraction\.sideways"):
        cohort.row(about(), [answer(0.5, of="sideways")])
    with pytest.raises(BadTable, match="shoe_size"):
        cohort.row(about(), [answer(44.0, "shoe_size")])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"source": "guessed"}, "guessed"),
        ({"bystander_cpr": "perhaps"}, "perhaps"),
        ({"excluded": None}, "excluded is missing in row 1"),
        ({"key": "zero"}, "zero stands in more than one row"),
        ({f"{FRACTION}__verdict": "fine"}, "fine"),
    ],
)
def test_what_breaks_the_contract_is_named(change, said):
    with pytest.raises(BadTable, match=said):
        made(about("zero"), about("one") | change)


def test_the_check_refuses_another_dtype_and_another_set_of_columns():
    table = made(about())
    with pytest.raises(BadTable, match="age_years has dtype"):
        check(table.assign(age_years="old"))
    with pytest.raises(BadTable, match="station"):
        check(table.drop(columns="station"))


# On disk.


def test_what_was_put_in_comes_back_in_order_of_the_calls(place):
    days = [datetime(2031, 3, 18, tzinfo=UTC), datetime(2029, 11, 2, tzinfo=UTC), datetime(2031, 3, 2, tzinfo=UTC), None]
    rows = [cohort.row(about(f"k{n}", at), [answer(0.1 * n)]) for n, at in enumerate(days)]
    put(place, *rows)
    back = cohort.read(place)
    assert list(back["key"]) == ["k3", "k1", "k2", "k0"]  # the one without a time of call stands first
    expected = made(*(rows[int(key[1:])] for key in back["key"]))
    pd.testing.assert_frame_equal(back, expected, check_categorical=False)
    check(back)


def test_there_is_one_file_a_month_that_any_reader_of_partitioned_parquet_can_read(place):
    put(place, *(cohort.row(about(f"k{n}", datetime(2031, 1 + n % 2, 5, tzinfo=UTC)), [answer(0.5 + n / 100)]) for n in range(6)))
    files = sorted(path.relative_to(place).as_posix() for path in place.rglob("*.parquet"))
    assert files == ["cases/year=2031/month=01/cases.parquet", "cases/year=2031/month=02/cases.parquet"]
    plain = pq.read_table(place / "cases", columns=["key", FRACTION, "year"]).to_pandas()
    assert dict(zip(plain["key"], plain[FRACTION], strict=True)) == {f"k{n}": 0.5 + n / 100 for n in range(6)}
    assert set(plain["year"]) == {2031}


def test_a_column_that_is_missing_throughout_a_month_is_not_stored_and_read_as_missing(place):
    put(place, about())
    assert "age_years" not in pq.read_schema(next(place.rglob("cases.parquet"))).names
    assert cohort.read(place, ["age_years", "sex"]).isna().all(axis=None)


def test_a_changed_case_takes_the_place_of_its_row_and_no_other_month_is_written(place):
    march, may = datetime(2031, 3, 18, tzinfo=UTC), datetime(2031, 5, 1, tzinfo=UTC)
    put(place, about("one", march), about("two", march), about("far", may), pauses=[pause("one"), pause("two")])
    before = {path: path.read_bytes() for path in place.rglob("*.parquet")}
    put(place, cohort.row(about("one", march), [answer(0.9)]), pauses=[pause("one", 7.0), pause("one", 9.0)])
    assert cohort.read(place, ["key", FRACTION]).set_index("key")[FRACTION].to_dict() == pytest.approx(
        {"one": 0.9, "two": np.nan, "far": np.nan}, nan_ok=True
    )
    kept = cohort.read_events(place, "pauses")
    assert list(zip(kept["key"], kept["seconds"], strict=True)) == [("one", 7.0), ("one", 9.0), ("two", 3.0)]
    written = {path for path in before if path.read_bytes() != before[path]}
    assert {path.parent.name for path in written} == {"month=03"}
    assert not [path for path in place.rglob("*") if path.name.startswith(".")]


def pause(key, seconds=3.0):
    return {"key": key, "start_s": 100.0 + seconds, "seconds": seconds, "cause": "ventilation"}


def test_a_case_whose_call_moves_to_another_month_leaves_the_first(place):
    put(place, about("one", datetime(2031, 3, 31, tzinfo=UTC)), pauses=[pause("one")])
    put(place, about("one", datetime(2031, 4, 1, tzinfo=UTC)), pauses=[pause("one")])
    assert list(cohort.read(place, ["month"])["month"]) == [4]
    assert sorted(path.parent.name for path in place.rglob("*.parquet")) == ["month=04"] * 2


def test_a_case_is_taken_out_with_its_events(place):
    put(place, about("one"), about("two"), pauses=[pause("one"), pause("two")], shocks=[{"key": "one", "time_s": 1.0, "stack": 1}])
    store.drop(place, ["one", "nobody"])
    assert list(cohort.read(place, ["key"])["key"]) == ["two"]
    assert list(cohort.read_events(place, "pauses", ["key", "year"])["key"]) == ["two"]
    assert cohort.read_events(place, "shocks").empty


@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 5), st.integers(1, 4), st.floats(0, 1)), min_size=1, max_size=6))
def test_one_after_the_other_or_all_at_once_is_the_same(tmp_path_factory, changes):
    """The last word on each case stands, wherever its month was before."""
    one_by_one, at_once = (tmp_path_factory.mktemp("cohort") for _ in range(2))
    rows = [cohort.row(about(f"k{n}", datetime(2031, month, 3, tzinfo=UTC)), [answer(value)]) for n, month, value in changes]
    for folder in (one_by_one, at_once):
        store.begin(folder, store.About("abc", NOW))
    for row in rows:
        put(one_by_one, row)
    put(at_once, *{row["key"]: row for row in rows}.values())
    first, second = (cohort.read(folder) for folder in (one_by_one, at_once))
    pd.testing.assert_frame_equal(first, second, check_categorical=False)


def test_filters_leave_out_rows_and_files(place):
    rows = [about(f"k{n}", datetime(2029 + n % 3, 6, 1, tzinfo=UTC), station=str(n % 2)) for n in range(6)]
    put(place, *rows)
    found = cohort.read(place, ["key"], [("station", "==", "1"), ("year", ">=", 2030)])
    assert list(found["key"]) == ["k1", "k5"]
    next(place.glob("cases/year=2029/*/*.parquet")).write_bytes(b"damaged")
    assert len(cohort.read(place, ["key"], [("year", "in", [2030, 2031])])) == 4


def test_what_cannot_be_read_says_how_to_make_it_anew(place, tmp_path):
    with pytest.raises(UnreadableFile, match="no cohort table yet"):
        cohort.read(tmp_path / "nowhere")
    with pytest.raises(KeyError, match="shoe_size"):
        cohort.read(place, ["shoe_size"])
    assert cohort.read(place, ["key", "station"]).empty
    put(place, about())
    next(place.rglob("cases.parquet")).write_bytes(b"damaged")
    with pytest.raises(UnreadableFile, match="--anew"):
        cohort.read(place, ["key"])
    (place / store.NAME).write_text(json.dumps({"format": 99}), encoding="utf-8")
    with pytest.raises(UnreadableFile, match="format 99"):
        cohort.read(place, ["key"])


def test_a_fresh_table_takes_the_place_of_the_old_one_which_is_kept_under_its_digest(place, tmp_path):
    put(place, about("old"))
    fresh = tmp_path / "fresh"
    store.begin(fresh, store.About("def", NOW + timedelta(days=1)))
    put(fresh, about("new"))
    store.take_place(fresh, place, tmp_path / "earlier")
    assert list(cohort.read(place, ["key"])["key"]) == ["new"]
    assert list(cohort.read(tmp_path / "earlier" / "abc", ["key"])["key"]) == ["old"]
    assert not fresh.exists()
    store.begin(fresh, store.About("def", NOW))
    store.take_place(fresh, place, None)
    assert cohort.read(place, ["key"]).empty
    assert sorted(path.name for path in tmp_path.iterdir()) == ["earlier", "now"]


# Many cases at once.


def test_what_other_definitions_changed_counted_by_hand():
    old = [0.50, 0.60, 0.70, None, 0.90]
    new = [0.50, 0.55, 0.80, 0.40, None]
    before, after = (
        made(
            *(
                cohort.row(about(f"k{n}"), [answer(value, verdict=v), answer(100.0, "compression_rate")])
                for n, (value, v) in enumerate(zip(values, verdicts, strict=True))
            ),
            about(extra),
        )
        for values, verdicts, extra in (
            (old, ["met", "met", "met", "not measurable", "met"], "gone"),
            (new, ["met", "not met", "met", "met", "not measurable"], "come"),
        )
    )
    found = cohort.compare(before, after)
    assert list(found.columns) == list(cohort.COMPARISON)
    assert found.iloc[0].tolist() == pytest.approx([FRACTION, 5, 2, 1, 1, 0.025, 0.1, 3])
    rest = found.set_index("measure").drop(index=FRACTION)
    assert not rest[["changed", "fresh", "lost", "verdicts_changed"]].any(axis=None)
    assert rest.loc["compression_rate", "cases"] == 5
