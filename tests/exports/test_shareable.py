"""What is shared holds no identifying value: every byte of every file is searched, pages of Parquet unpacked.

What counts as identifying: HIPAA Safe Harbor, 45 CFR 164.514(b)(2), as mapped to case data in our notes (data-standards.md, 5.1).
"""

import json
import math
import re
import zipfile
from dataclasses import replace

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from qi import pipeline
from qi.exports import edf_plus, fhir, shareable
from qi.exports.masking import NOT_SHOWN, without_identity
from qi.exports.private_words import EVENT_TYPES, OURS
from qi.intake.folder import read_case
from qi.model.case import Facts, Source
from qi.model.cautions import LONG, SHORT
from qi.model.corrections import Correction
from qi.model.vocabulary import EVENT_VALUES
from tests.exports import planted
from tests.exports.made import GOOD, SAMPLES, WITH_GAP, corrected, event_rows, review_of, sample, wave

EVERY = pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
# A date, or a time of day, in the forms that files write them; the anonymous start of EDF+ is neither.
DATE = re.compile(
    r"\b\d{4}-\d\d-\d\d\b|\b\d\d?[./]\d\d?[./](?!85)\d\d(?:\d\d)?\b|\b\d\d?-[A-Z]{3}-\d{4}\b"
    r"|\b\d\d?:\d\d(?::\d\d)?\b|T\d\d:",
    re.IGNORECASE,
)


@pytest.fixture(scope="module")
def planted_review(tmp_path_factory):
    """The planted case, reviewed with an agency's protocol and a reviewer's corrections that name people too."""
    case = planted.write(tmp_path_factory.mktemp("planted"))
    plain = pipeline.measure_case(case)
    sensor = plain.case.signals[0].name
    corrections = (
        Correction(
            "add", "drug", 60.0, value="Quillfeather mix", dose=1.0, unit="SN-99-XK-4411", why="so says Brightwater", number=1
        ),
        Correction("add", "shock", 70.0, value="150", unit="J", why="Kestrelton", number=2),
        Correction(
            "relabel", "rhythm", 179.0, value="asystole", type="note", why="Quillfeather", number=3, anchor="Johannes list.csv"
        ),
        Correction("add", "artefact", 100.0, 105.0, sensor=sensor, why="MRN7734021", number=4),
        Correction("add", "compression", 115.0, number=5, why="14:02"),
    )
    return pipeline.review(plain.case, plain.protocol, corrections)


def exported(review, folder):
    """Every way in which a case goes out without identity, as files in one folder."""
    place = shareable.write(folder / "folder", review)
    edf_plus.write(folder / "case.edf", review, identity=False)
    ids = (f"00000000-0000-4000-8000-{number:012d}" for number in range(10_000))
    bundle = fhir.bundle(review, new_id=lambda: next(ids), id_="case-1")
    (folder / "bundle.json").write_text(json.dumps(bundle, ensure_ascii=False), encoding="utf-8")
    return place


def said(folder):
    """Each text that the files under a folder hold, with where it stands: names of files, raw bytes, and what Parquet packs."""
    for path in sorted(folder.rglob("*")):
        where = path.relative_to(folder).as_posix()
        yield where, where
        if not path.is_file():
            continue
        yield where, path.read_bytes().decode("latin-1")
        yield where, path.read_bytes().decode("utf-8", errors="replace")
        if path.suffix == ".parquet":
            for cell in cells(path):
                yield where, cell


def cells(path):
    """Every text cell of a Parquet file, unpacked, and its names and metadata."""
    schema = pq.read_schema(path)
    metadata = [schema.metadata or {}, *((field.metadata or {}) for field in schema)]
    yield from (text.decode() for each in metadata for pair in each.items() for text in pair)
    yield from schema.names
    yield from values(path)


def values(path):
    """Every text cell of a Parquet file, unpacked."""
    table = pq.read_table(path)
    for column in table.columns:
        if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
            yield from (text for text in column.unique().to_pylist() if text is not None)


def hits(folder, secrets):
    """Where a secret stands, in whatever case: one of letters and digits alone as a whole word, any other anywhere."""
    ends = {secret: ("(?<![A-Za-z0-9])", "(?![A-Za-z0-9])") if secret.isalnum() else ("", "") for secret in secrets}
    patterns = {secret: re.compile(before + re.escape(secret) + after, re.IGNORECASE) for secret, (before, after) in ends.items()}
    return sorted({(where, secret) for where, text in said(folder) for secret, one in patterns.items() if one.search(text)})


def words_of(secrets):
    """The secrets, and of each the words that are long enough to be told from anything else."""
    parts = {word for secret in secrets for word in re.split(r"[^A-Za-z0-9]+", secret) if len(word) > 4}
    return {*secrets, *parts} - {"Medical", "Medic", "Station", "director", "clock", "monitor", "protocol", "example", "Hospital"}


def test_the_search_finds_what_was_planted_in_the_files_that_went_in(tmp_path):
    case = planted.write(tmp_path)
    found = {secret for _, secret in hits(tmp_path, planted.SECRETS)}
    assert set(planted.SECRETS) - found <= {"20310417"}  # a form that none of our files writes
    assert {"14-MAR-1937", "17.04.31", "SN-99-XK-4411"} <= found
    assert case.name == "ZQ-1962-0042"


def test_nothing_that_was_planted_comes_out(planted_review, tmp_path):
    exported(planted_review, tmp_path)
    long = {secret for secret in words_of(planted.SECRETS) if len(secret) > 4} - {"14.02"}  # part of many a number
    assert hits(tmp_path, long) == []


def test_short_secrets_stand_in_no_text(planted_review, tmp_path):
    place = exported(planted_review, tmp_path)
    texts = [text for path in place.rglob("*.parquet") for text in cells(path)]
    texts += [path.read_text(encoding="utf-8") for path in place.rglob("*.toml")]
    texts += json.dumps(json.loads((tmp_path / "bundle.json").read_text(encoding="utf-8"))).split('"')
    for secret in ("93", "93.4", "14:02", "14.02"):
        assert not [text for text in texts if re.search(rf"(?<![\d.]){re.escape(secret)}(?![\d.])", text)]


def test_an_identified_export_does_hold_them_so_that_the_search_can_fail(planted_review, tmp_path):
    edf_plus.write(tmp_path / "case.edf", planted_review, identity=True)
    fhir.write(tmp_path / "bundle.json", planted_review, identity=True)
    found = {secret for _, secret in hits(tmp_path, planted.SECRETS)}
    assert {"Quillfeather", "ZQ-1962-0042", "SN-99-XK-4411", "17.04.31", "2031-04-17", "C-98342"} <= found


@EVERY
def test_nothing_that_identifies_a_sample_case_comes_out(path, tmp_path):
    review = sample(path)
    place = exported(review, tmp_path)
    facts, case = review.case.facts, review.case
    secrets = {case.id, *facts.members, facts.unit} | {source.file for source in case.sources} - {"events.csv"}
    secrets |= {who for who in case.events["by"].dropna() if who not in OURS}
    secrets |= {signal.label for signal in case.signals if signal.label not in (signal.channel, "CC depth", "CC force")}
    for file in path.glob("*.xml"):
        secrets |= set(re.findall(r'UUID="([^"]+)"', file.read_text(encoding="utf-8")))
        secrets |= {text for text in re.findall(r">([^<>]{6,})<", file.read_text(encoding="utf-8")) if "T" in text and "-" in text}
    assert hits(tmp_path, {secret for secret in secrets if secret}) == []
    dated = [
        (where, match[0])
        for where, text in said(tmp_path)
        if not where.endswith((".parquet", ".edf")) or len(text) < 10_000
        for match in DATE.finditer(text)
    ]
    assert [one for one in dated if not re.fullmatch(r"\d\d?:\d", one[1])] == []
    for secret in (facts.station, facts.shift):
        kept = [file.stem for file in place.rglob("*.parquet") for text in values(file) if text == secret]
        assert set(kept) <= {"measures"}  # there a number tells which minute


@EVERY
def test_no_number_tells_a_date(path, tmp_path):
    """Elapsed zero cannot be turned back: all times are small, and the only start that EDF+ has is the anonymous one."""
    place = exported(sample(path), tmp_path)
    for file in place.rglob("*.parquet"):
        numbers = pd.read_parquet(file).select_dtypes("number")
        assert numbers.abs().max().max() < 100_000 or numbers.empty
        assert b"start" not in (pq.read_schema(file).metadata or {})
    for file in (*place.rglob("*.edf"), tmp_path / "case.edf"):
        header = file.read_bytes()[:256]
        assert header[8:88].decode().split() in (["X", "X", "X", "X"], ["X", "F", "X", "X"], ["X", "M", "X", "X"])
        assert header[88:168].decode().split()[:2] == ["Startdate", "X"]
        assert header[168:184] == b"01.01.8500.00.00"
    assert read_case(place).start is None


@EVERY
def test_the_shared_case_read_again_gives_the_same_measures(path, tmp_path):
    review = sample(path)
    again = pipeline.measure_case(shareable.write(tmp_path, review))
    before, after = ({(one.id, one.of, one.from_): one for one in each.numbers} for each in (review, again))
    assert before.keys() == after.keys()
    for key, one in before.items():
        other = after[key]
        assert (one.value is None) == (other.value is None), key
        if one.value is not None:
            assert other.value == pytest.approx(one.value, abs=1e-3, rel=1e-3), key
        assert (one.verdict, one.number.status) == (other.verdict, other.number.status), key
    assert [note for note in again.notes if note.level == "error"] == []


def test_the_year_and_the_age_over_89_are_said_and_nothing_finer(planted_review, tmp_path):
    place = shareable.write(tmp_path, planted_review, now_id=lambda: "case-77")
    assert place == tmp_path / "case-77"
    about = json.loads((place / "tables" / "about.json").read_text(encoding="utf-8"))
    assert (about["year"], about["age_years"], about["id"]) == (2031, "90+", "case-77")
    assert about["left_out"]
    assert read_case(place).facts.age_years == 90.0
    readme = (place / "README.txt").read_text(encoding="utf-8")
    assert "stands for 90 or more" in readme
    assert "do not share it" in readme
    assert all(sentence in readme for sentence in LONG)
    masked = without_identity(planted_review)
    resources = [one["resource"] for one in fhir.bundle(planted_review)["entry"]]
    age = next(one for one in resources if one.get("code", {}).get("text") == "Age at the arrest")
    assert (age["valueQuantity"]["value"], age["valueQuantity"]["comparator"]) == (90.0, ">=")
    assert masked.is_90_plus


@pytest.mark.parametrize(
    ("age", "shown"), [(89.9, 89.0), (90.0, 90.0), (104.0, 90.0), (61.7, 61.0), (1.99, 23 / 12), (0.04, 0.0), (None, None)]
)
def test_ages_are_whole_years_and_end_at_90(age, shown):
    review = review_of(wave("ecg", "mV", 100.0, (0.0, 1000)))
    facts = Facts(age_years=age)
    masked = without_identity(replace(review, case=replace(review.case, facts=facts)))
    assert masked.review.case.facts.age_years == shown
    assert masked.is_90_plus == (age is not None and age >= 90)


def test_events_are_words_of_lists_and_what_is_not_is_counted(planted_review):
    masked = without_identity(planted_review)
    events = masked.review.case.events
    assert set(events["type"]) <= EVENT_TYPES
    drugs = events[events["type"] == "drug"]
    assert sorted(drugs["value"]) == ["epinephrine", "other drug", "other drug"]
    assert set(drugs["unit"].dropna()) == {"mg"}
    airway = events[events["type"] == "airway_placed"].iloc[0]
    assert airway["text"] == "attempts=2 successful=no"
    assert airway["by"] == "paramedic"
    assert {"crew member 1", "crew member 2"} <= set(events["by"].dropna())
    assert masked.left_out["events in words that are not understood, and notes"] >= 2
    assert masked.left_out["signals of no known channel or unit, or on no clock that could be placed"] == 1
    shocks = events[events["type"] == "shock"]
    assert set(shocks["value"].dropna()) == {"200", "150"}
    assert set(shocks["source"]) >= {"reviewer"}


def test_sensors_are_named_by_what_they_are_and_a_reviewer_stays_one(planted_review):
    found = without_identity(planted_review).review.findings
    assert set(found.compressions["sensor"]) == {"compression_depth (monitor-1)", "reviewer"}
    assert NOT_SHOWN not in set(found.shocks["sensor"])
    assert found.case.id != planted_review.case.id


def test_an_own_protocol_is_not_named_and_a_known_one_is(planted_review):
    assert without_identity(planted_review).review.protocol.name == "an agency's own"
    shown = without_identity(sample(GOOD)).review
    assert (shown.protocol.name, shown.protocol.chosen_by) == ("adult-2020", "age")


def test_our_own_sentences_stay_where_they_hold_no_word_of_the_case():
    review = sample(WITH_GAP)
    shown = without_identity(review).review
    assert [one.number.reason for one in shown.numbers] == [one.number.reason for one in review.numbers]
    assert [edge.rule for edge in shown.findings.course.edges] == [edge.rule for edge in review.findings.course.edges]


def test_ids_are_random_and_a_folder_is_never_written_over(tmp_path):
    review = sample(GOOD)
    first, second = (shareable.write(tmp_path, review) for _ in range(2))
    assert first != second
    assert len(first.name) == len("case-") + 16
    with pytest.raises(FileExistsError):
        shareable.write(tmp_path, review, now_id=lambda: first.name)


def test_the_zip_holds_the_folder_and_no_date_of_today(tmp_path):
    path = shareable.write_zip(tmp_path / "shared.zip", sample(GOOD), now_id=lambda: "case-5")
    with zipfile.ZipFile(path) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert all(entry.filename.startswith("case-5/") for entry in archive.infolist())
        archive.extractall(tmp_path / "out")
    assert read_case(tmp_path / "out" / "case-5").signals


def test_a_reviewers_events_are_shared_as_such(tmp_path):
    place = shareable.write(tmp_path, corrected())
    events = read_case(place).events
    assert list(events.loc[events["by"] == "reviewer", "type"]) == ["shock"]
    tables = pd.read_parquet(place / "tables" / "compressions.parquet")
    assert (tables["told_by"] == "reviewer").sum() == 1
    corrections = pd.read_parquet(place / "tables" / "corrections.parquet")
    assert corrections["why"].isna().all()


def test_every_csv_says_the_caution_in_its_first_line_and_any_reader_can_pass_it_over(tmp_path):
    """The list of events that is read again among them, by our own reader (as without a notice) and by pandas."""
    review = sample(SAMPLES[1])
    place = shareable.write(tmp_path, review, banner='Präsidium: "vertraulich", =1+1')
    files = sorted(place.rglob("*.csv"))
    assert [file for file in files if file.name.endswith("-list.csv")]
    for file in files:
        first, second, names = file.read_text(encoding="utf-8").splitlines()[:3]
        assert first == f"# {SHORT}"
        assert second == '# Präsidium: "vertraulich", \'=1+1'
        table = pd.read_csv(file, comment="#") if file.name.endswith("-list.csv") else pd.read_csv(file, skiprows=2)
        assert list(table.columns) == names.split(",")
    bare = shareable.write(tmp_path / "bare", review)
    assert pipeline.measure_case(place).case.events.equals(pipeline.measure_case(bare).case.events)


def test_doses_that_no_longer_differ_in_words_are_both_read_again(tmp_path):
    """Two people gave the same drug in the same second: without the words about them the rows would be one."""
    dose = {"time_s": 10.0, "type": "drug", "value": "epinephrine", "dose": 1.0, "unit": "mg", "clock": "a"}
    events = event_rows({**dose, "text": "first"}, {**dose, "text": "second"})
    review = review_of(wave("ecg", "mV", 100.0, (0.0, 3000)), events=events)
    told = Source("list.csv", "CSV events", "events", "a", 0.0, 20.0, frozenset(EVENT_VALUES))
    case = replace(review.case, sources=(*review.case.sources, told))
    place = shareable.write(tmp_path, pipeline.review(case, review.protocol))
    assert [file.name for file in place.glob("*.csv")] == ["02-events-1-list.csv"]
    back = read_case(place).events
    assert len(back) == 2
    assert math.isclose(back["time_s"].diff().iloc[1], 1e-6, rel_tol=0.01)


def test_two_monitors_keep_their_own_clocks_and_their_twins_their_own_columns(tmp_path):
    first = [wave("ecg", "mV", 100.0, (0.0, 3000), label=label) for label in ("I", "II")]
    second = wave("ecg", "mV", 50.0, (12.5, 2000), source="b.edf", clock="b")
    place = shareable.write(tmp_path, review_of(*first, second))
    case = read_case(place)
    assert len(case.signals) == 3
    assert sorted(case.clocks) == ["monitor-1", "monitor-2"]
    assert sorted(signal.pieces[0].start_s for signal in case.signals) == [0.0, 0.0, 12.5]
