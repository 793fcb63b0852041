"""What the command line prints and writes: case-format.md section 2."""

import json
import math
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from qi import __main__ as command_line
from qi.measures import MEASURES
from qi.pipeline import MEASURE_IDS

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_cases"
GOOD = SAMPLES / "rv-2031-0107"
TABLES = {
    "compressions": ["time_s", "onset_s", "release_s", "depth_mm", "residual_mm", "residual_n", "sensor"],
    "ventilations": ["time_s", "insufflation_s", "etco2_mmhg", "peak_cmh2o", "sensor"],
    "pauses": ["start_s", "end_s", "seconds", "cause"],
    "shocks": ["time_s", "energy_j", "pre_s", "post_s"],
}
KEYS = [
    "id",
    "value",
    "low",
    "high",
    "error",
    "unit",
    "n",
    "coverage",
    "verdict",
    "limit",
    "goal",
    "reason",
    "method",
    "source",
    "spans_s",
]


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Two sample cases measured by the command, as JSON and tables."""
    place = tmp_path_factory.mktemp("out")
    cases = [str(GOOD), str(SAMPLES / "rv-2031-0131")]
    status = command_line.main(["measure", *cases, "--json", str(place / "m.json"), "--tables", str(place / "t")])
    assert status == 0
    return place, json.loads((place / "m.json").read_text(encoding="utf-8"))


def test_document_has_every_measure_for_every_case_and_no_nan(written):
    _, document = written
    assert document["format"] == 1
    for case in document["cases"]:
        ids = [measure["id"] for measure in case["measures"]]
        assert list(dict.fromkeys(ids)) == list(MEASURE_IDS)
        assert case["protocol"]
        assert case["protocol_chosen_by"]
        for measure in case["measures"]:
            assert set(KEYS) <= set(measure)
            assert measure["verdict"] in ("met", "not met", "not measurable", "no limit set")
            assert measure["value"] is not None or measure["reason"], measure["id"]
            numbers = [measure[key] for key in ("value", "low", "high", "error", "coverage") if measure[key] is not None]
            assert all(math.isfinite(number) for number in numbers)


def test_plain_entry_comes_first(written):
    _, document = written
    for case in document["cases"]:
        seen = set()
        for measure in case["measures"]:
            plain = "of" not in measure and "from" not in measure
            assert not (plain and measure["id"] in seen), measure["id"]
            seen.add(measure["id"])


def test_exports_carry_the_cautions(written, capsys):
    place, document = written
    assert any("quality improvement" in sentence for sentence in document["cautions"])
    command_line.main(["measure", str(GOOD)])
    assert "quality improvement" in capsys.readouterr().out
    metadata = pq.read_schema(place / "t" / "rv-2031-0107" / "pauses.parquet").metadata
    assert b"quality improvement" in metadata[b"cautions"]
    assert metadata[b"protocol"] == b"adult-2020"
    assert b"age" in metadata[b"protocol_chosen_by"]


def test_tables_have_their_columns_and_agree_with_the_measures(written):
    place, document = written
    folder = place / "t" / "rv-2031-0107"
    tables = {name: pd.read_parquet(folder / f"{name}.parquet") for name in TABLES}
    for name, columns in TABLES.items():
        assert list(tables[name].columns) == columns
    no_flow = next(measure for measure in document["cases"][0]["measures"] if measure["id"] == "no_flow_s")
    assert tables["pauses"]["seconds"].sum() == pytest.approx(no_flow["value"], abs=1e-5)


def test_a_column_that_could_not_be_measured_is_there_and_null(written):
    place, _ = written
    stroke = pd.read_parquet(place / "t" / "rv-2031-0131" / "compressions.parquet")
    assert len(stroke)
    assert stroke["residual_mm"].isna().all()


def test_cases_stand_side_by_side(capsys):
    command_line.main(["measure", str(GOOD), str(SAMPLES / "rv-2031-0112")])
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split() == ["rv-2031-0107", "rv-2031-0112"]
    row = next(line for line in lines if line.startswith("Compression fraction "))
    assert row.count("%") >= 2


def test_one_unreadable_case_gives_status_1_and_the_others_are_written(tmp_path, capsys):
    target = tmp_path / "m.json"
    assert command_line.main(["measure", str(tmp_path / "nowhere"), str(GOOD), "--json", str(target)]) == 1
    assert [case["id"] for case in json.loads(target.read_text(encoding="utf-8"))["cases"]] == ["rv-2031-0107"]
    assert "nowhere" in capsys.readouterr().err


@pytest.mark.parametrize("call", [[], ["measure"], ["mesure", "x"], ["measure", "x", "--protocol", "adult-2019"]])
def test_a_wrong_call_gives_status_2(call, capsys):
    with pytest.raises(SystemExit) as stop:
        command_line.main(call)
    assert stop.value.code == 2
    if "--protocol" in call:
        assert "adult-2020" in capsys.readouterr().err


def test_protocol_by_name_says_who_chose_it(tmp_path):
    target = tmp_path / "m.json"
    command_line.main(["measure", str(GOOD), "--protocol", "child-2020", "--json", str(target)])
    case = json.loads(target.read_text(encoding="utf-8"))["cases"][0]
    assert (case["protocol"], case["protocol_chosen_by"]) == ("child-2020", "the person who ran the review")


def test_the_command_starts_as_a_module():
    done = subprocess.run([sys.executable, "-m", "qi", "measure", str(GOOD)], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Compression fraction" in done.stdout


def test_every_measure_has_words_and_a_source():
    for measure in MEASURES:
        assert measure.label[0].isupper()
        assert measure.method.endswith(".")
        assert measure.source
