"""The sample cases: rebuilt from their seeds as they stand, small, plainly invented, and measured as the truth says."""

import json
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from qi.model.review import Judged, Review
from qi.pipeline import measure_case
from tests.simulator.cases import SAMPLES, build

HOME = Path(__file__).parents[1] / "sample_cases"
FOLDERS = sorted(folder for folder in HOME.glob("rv-*") if folder.is_dir())
MEGABYTE = 1_000_000


def told(folder: Path) -> dict[str, Any]:
    return json.loads(HOME.joinpath(f"{folder.name}.answers.json").read_text(encoding="utf-8"))


def test_there_is_one_folder_and_one_sheet_of_answers_for_each_plan():
    ids = sorted(maker().truth.plan.id for maker in SAMPLES)
    assert [folder.name for folder in FOLDERS] == ids
    assert sorted(path.name for path in HOME.glob("rv-*.answers.json")) == [f"{name}.answers.json" for name in ids]
    assert len(ids) >= 4


def test_they_are_small():
    sizes = {path: path.stat().st_size for path in HOME.rglob("*") if path.is_file()}
    assert sum(sizes.values()) < 20 * MEGABYTE
    assert max(sizes.values()) < 5 * MEGABYTE


def test_each_lasts_15_to_35_minutes():
    for maker in SAMPLES:
        assert 15 * 60 <= maker().truth.plan.length_s <= 35 * 60


@pytest.mark.parametrize("maker", SAMPLES, ids=[maker.__name__ for maker in SAMPLES])
def test_the_seed_rebuilds_the_same_files(maker, tmp_path):
    """Byte for byte where text or EDF; Parquet by value, since its writer signs with its own version."""
    (made,) = build(tmp_path, [maker])
    kept = HOME / made.name
    assert sorted(path.name for path in made.iterdir()) == sorted(path.name for path in kept.iterdir())
    for path in made.iterdir():
        if path.suffix == ".parquet":
            new, old = pq.read_table(path), pq.read_table(kept / path.name)
            assert new.equals(old)
            assert new.schema.metadata[b"start"] == old.schema.metadata[b"start"]
        else:
            assert path.read_bytes() == (kept / path.name).read_bytes(), path.name
    assert json.loads((tmp_path / f"{made.name}.answers.json").read_text(encoding="utf-8")) == told(made)


def test_each_says_that_it_is_invented():
    assert "invented" in HOME.joinpath("README.md").read_text(encoding="utf-8").splitlines()[2].casefold()
    for folder in FOLDERS:
        assert "invented" in told(folder)["about"].casefold()
        if (folder / "case.toml").exists():
            assert "invented" in (folder / "case.toml").read_text(encoding="utf-8").splitlines()[0].casefold()


def test_one_has_no_header_and_the_others_name_only_files_that_are_there():
    bare = [folder for folder in FOLDERS if not (folder / "case.toml").exists()]
    assert len(bare) == 1
    for folder in set(FOLDERS) - set(bare):
        header = tomllib.loads((folder / "case.toml").read_text(encoding="utf-8"))
        assert header["id"] == folder.name
        assert all((folder / source["file"]).exists() for source in header["source"])


@cache
def measured(folder: Path) -> Review:
    return measure_case(folder)


def answered(review: Review, row: dict[str, Any]) -> Judged:
    """The judged number that an answer speaks of; an answer without `of` and `from` is met by the plain one first."""
    return review.of(row["id"], row.get("of"), row.get("from"))


def wrong(review: Review, row: dict[str, Any]) -> str | None:
    """Why a measured number does not meet its answer, or None."""
    number = answered(review, row)
    value = number.value
    if "status" in row and number.number.status != row["status"]:
        return f"{row['id']}: status {number.number.status}, the truth is {row['status']}"
    name = " ".join(filter(None, (row["id"], row.get("of"), row.get("from"))))
    if row["value"] is None or value is None:
        return None if value is row["value"] else f"{name}: {value}, the truth is {row['value']}"
    off = abs(value - row["value"])
    return None if off <= row["tolerance"] else f"{name}: {value:.4f}, the truth is {row['value']} ± {row['tolerance']}"


@pytest.mark.parametrize("folder", FOLDERS, ids=[folder.name for folder in FOLDERS])
def test_measured_numbers_meet_the_known_answers(folder):
    rows = [row for row in told(folder)["answers"] if row["id"] != "arrest_spans_s"]
    failures = [failure for row in rows if (failure := wrong(measured(folder), row))]
    assert not failures, "\n".join(failures)


@pytest.mark.parametrize("folder", FOLDERS, ids=[folder.name for folder in FOLDERS])
def test_arrest_spans_meet_the_known_answers(folder):
    (row,) = [row for row in told(folder)["answers"] if row["id"] == "arrest_spans_s"]
    spans = measured(folder).findings.arrest.pairs()
    assert len(spans) == len(row["value"])
    for found, true in zip(spans, row["value"], strict=True):
        assert found == pytest.approx(true, abs=row["tolerance"])
