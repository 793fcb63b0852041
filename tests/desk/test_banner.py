"""The agency's own line stands in every file that leaves the app, as plain text; without one, files are as they were.

PDF, EDF+ and Parquet are read by independent libraries (pypdf, edfio, pyarrow).
"""

import ast
import importlib
import inspect
import io
import json
import pkgutil
import xml.etree.ElementTree as ET
import zipfile
from functools import cache
from html import unescape
from pathlib import Path

import edfio
import pandas as pd
import pyarrow.parquet as pq
import pypdf
import pytest

from qi import exports, pipeline
from qi.__main__ import main
from qi.charts import svg
from qi.desk import cohort, mapping, out, signing
from qi.desk.bring_in import bring_in
from qi.desk.opened import open_case, review_of
from qi.exports import csv_text, edf_plus, shareable, text_table, trend_files
from qi.exports import fhir as bundles
from qi.library.library import Library
from qi.library.settings import LONGEST_BANNER
from qi.model.cautions import SHORT
from qi.model.errors import UnreadableFile
from qi.screens import log_page
from tests.desk.conftest import SAMPLES

NUMBER = "rv-2031-0107"
BANNER = "Peer review, confidential under a law that we invented"
TRICKY = '<script>alert(1)</script> & "law", =cmd|calc, @SUM(A1) *bold* [link](http://x) # {0} %s shock 200'
SCREENS = Path(__file__).parents[2] / "qi" / "screens"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A library with a banner, one signed case and its cohort table."""
    folder = tmp_path_factory.mktemp("banner") / "library"
    folder.mkdir()
    (folder / "library.toml").write_text(f'[agency]\nbanner = "{BANNER}"\n', encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("QI_DATABASE", raising=False)
        with Library.open(folder) as library:
            key = bring_in(library, SAMPLES / NUMBER, who="tester").key
            opened = open_case(library, key)
            signing.sign(library, opened, [], review_of(opened, []), who="M. Ortiz", after=0)
            assert not [trouble for _, _, trouble in cohort.build(library) if trouble]
    return folder


@cache
def reviewed():
    return pipeline.measure_case(SAMPLES / NUMBER)


def said(name, data):
    """All that a file says to whoever reads it, in one line."""
    ending = Path(name).suffix
    if ending == ".pdf":
        pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages]
        assert all(BANNER in " ".join(page.split()) for page in pages), "on each page"
        text = pages[0]
    elif ending == ".parquet":
        text = " ".join(value.decode(errors="replace") for value in pq.read_schema(io.BytesIO(data)).metadata.values())
    elif ending == ".edf":
        read = edfio.read_edf(io.BytesIO(data))
        text = " ".join([read.local_patient_identification.replace("_", " "), *(one.text for one in read.annotations)])
    elif ending == ".svg":
        text = " ".join(ET.fromstring(data).itertext())
    elif ending == ".html":
        text = unescape(data.decode())
    else:
        text = data.decode()
    return " ".join(text.split())


def files_of(place):
    """Every file in a folder and in the zips of it, by name."""
    found = {}
    for path in sorted(place.rglob("*")):
        if path.suffix == ".zip":
            archive = zipfile.ZipFile(path)
            found |= {f"{path.name}/{name}": archive.read(name) for name in archive.namelist()}
        elif path.is_file():
            found[path.relative_to(place).as_posix()] = path.read_bytes()
    return found


def holds_it(files):
    """Which files do not say the banner."""
    return [name for name, data in files.items() if BANNER not in said(name, data)]


@pytest.mark.parametrize(
    ("words", "count"),
    [
        (("export", NUMBER, "{place}"), 30),
        (("export", NUMBER, "{place}", "--without-identity"), 30),
        (("sheet", NUMBER, "{place}/sheet.pdf"), 1),
        (("sheet", NUMBER, "{place}/sheet.html"), 1),
        (("board", "{place}/board.pdf"), 1),
        (("board", "{place}/board.pdf", "--sharing"), 1),
    ],
    ids=lambda words: "-".join(words[:1]) if isinstance(words, tuple) else "",
)
def test_every_command_that_writes_files(folder, tmp_path, words, count):
    assert main([word.format(place=tmp_path) for word in words] + ["--library", str(folder)]) == 0
    found = files_of(tmp_path)
    assert len(found) >= count
    assert not holds_it(found)


def test_measuring_takes_the_banner_of_this_machines_library(folder, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("QI_LIBRARY", str(folder))
    call = ["measure", str(SAMPLES / NUMBER), "--json", str(tmp_path / "m.json"), "--tables", str(tmp_path)]
    assert main(call) == 0
    printed = capsys.readouterr().out.splitlines()
    assert printed[-2:] == [BANNER, SHORT]
    found = files_of(tmp_path)
    assert len(found) == 5
    assert not holds_it(found)
    assert json.loads(found["m.json"])["banner"] == BANNER


def test_settings_that_cannot_be_read_stop_measuring_rather_than_leave_the_banner_out(tmp_path, monkeypatch, capsys):
    (tmp_path / "library.toml").write_text("[agency", encoding="utf-8")
    monkeypatch.setenv("QI_LIBRARY", str(tmp_path))
    assert main(["measure", str(SAMPLES / NUMBER), "--json", str(tmp_path / "m.json")]) == 1
    assert "library.toml" in capsys.readouterr().err
    assert not (tmp_path / "m.json").exists()


def made(banner):
    """Every file that a page can give out, as bytes by name."""
    review = reviewed()
    table, says = pd.DataFrame({"group": ["1"], "n": [20]}), ["Every case counts once."]
    picture = svg.drawing(200, 100, [svg.text(1, 20, "a chart")], title="Chart & picture")
    found = {
        "case.edf": out.edf(review, banner=banner),
        "bundle.json": out.fhir(review, banner=banner),
        "measures.csv": csv_text.measures(review, banner=banner).encode(),
        "pauses.csv": csv_text.pauses(review, banner=banner).encode(),
        "log.csv": log_page.as_csv([], banner).encode(),
        "trend.csv": trend_files.csv(table, says, banner=banner),
        "trend.parquet": trend_files.parquet(table, says, banner=banner),
        "chart.svg": svg.under_a_line(picture, banner).encode(),
        "cases.txt": text_table.table([review], banner=banner).encode(),
    }
    for name, packed in (("tables", out.tables(review, banner=banner)), ("shared", out.shareable(review, banner=banner))):
        archive = zipfile.ZipFile(io.BytesIO(packed))
        found |= {f"{name}/{one}": archive.read(one) for one in archive.namelist()}
    return found


def test_every_file_that_a_page_gives_out():
    found = made(BANNER)
    assert len(found) > 60
    assert not holds_it(found)
    assert [name for name in found if name.endswith("codebook.csv")]


def test_without_a_banner_nothing_is_said_and_no_line_is_empty():
    for name, data in made("").items():
        if name.endswith((".csv", ".txt", ".json", ".toml")):
            assert "banner" not in data.decode()
            assert not data.decode().startswith("\n")
        if name.endswith(".parquet"):
            assert b"banner" not in (pq.read_schema(io.BytesIO(data)).metadata or {})
        if name.endswith(".csv"):
            assert sum(line.startswith("#") for line in data.decode().splitlines()) <= 2
    picture = svg.drawing(10, 10, [], title="t")
    assert svg.under_a_line(picture, "") == picture


def test_a_banner_is_plain_text_wherever_it_stands(tmp_path):
    found, bare = made(TRICKY), made("")
    for name in [name for name in found if name.endswith(".csv")]:
        text = found[name].decode()
        line = next(line for line in text.splitlines() if "alert" in line)
        assert line.startswith("# ")
        assert ", '=cmd" in line
        assert ", '@SUM" in line
        plain = pd.read_csv(io.StringIO(text), comment="#")
        without = pd.read_csv(io.StringIO(bare[name].decode()), comment="#") if "shared" not in name else plain
        assert list(plain.columns) == list(without.columns)
        assert len(plain) == len(without)
    picture = ET.fromstring(found["chart.svg"].decode())
    assert not [one for one in picture.iter() if one.tag.endswith("script")]
    assert "<script>" in "".join(picture.itertext())
    assert picture.findtext("{http://www.w3.org/2000/svg}title") == "Chart & picture"
    assert json.loads(found["bundle.json"])["meta"]["security"][0]["display"] == TRICKY
    (tmp_path / "case.edf").write_bytes(found["case.edf"])
    events = pipeline.measure_case(tmp_path).case.events
    assert (events["type"] == "shock").sum() == (reviewed().case.events["type"] == "shock").sum()


def test_a_shared_case_with_a_banner_is_read_again_as_the_same_case(tmp_path):
    shared = shareable.write(tmp_path / "with", reviewed(), banner=TRICKY)
    plain = shareable.write(tmp_path / "plain", reviewed())
    one, other = pipeline.measure_case(shared), pipeline.measure_case(plain)
    assert [judged.value for judged in one.numbers] == [judged.value for judged in other.numbers]
    assert len(one.case.events) == len(other.case.events)


@pytest.mark.parametrize("banner", ["ä" * 250, "字" * LONGEST_BANNER, "x" * LONGEST_BANNER])
def test_a_long_banner_stands_whole_in_edf_and_as_far_as_it_fits_in_its_header(tmp_path, banner):
    edf_plus.write(tmp_path / "a.edf", reviewed(), identity=True, banner=banner)
    read = edfio.read_edf(tmp_path / "a.edf")
    pieces = [one.text.removeprefix("notice of the agency: ") for one in read.annotations if one.text.startswith("notice of")]
    assert "".join(sorted(pieces, key=len, reverse=True)) == banner
    assert len(read.local_patient_identification) <= 80


def test_the_header_of_edf_holds_what_the_standard_lets_it(tmp_path):
    """EDF+ specification, section 2.1.3: subfields parted by blanks, none in them, printable ASCII (read in edfio's own check)."""
    edf_plus.write(tmp_path / "a.edf", reviewed(), identity=False, banner="Präsidium: vertraulich\tim Haus")
    field = edfio.read_edf(tmp_path / "a.edf").local_patient_identification
    assert field.split(" ")[4:] == ["Prasidium:_vertraulich_im_Haus"]


@pytest.mark.parametrize(
    ("banner", "written"),
    [
        ("Rettungsdienst Größe & Söhne", "Rettungsdienst_Grosse_&_Sohne"),
        ("Ambulance de l’Œuvre – confidentiel", "Ambulance_de_l'Oeuvre_-_confidentiel"),
        ("“Peer review”\u00a0§ 5…", '"Peer_review"_S_5...'),
        ("Łódź, Århus, Ærø", "Lodz,_Arhus,_Aero"),
        ("Pra\u0308sidium", "Prasidium"),
        ("Ελλάδα", "Ellada"),
        ("\ue000", None),
    ],
)
def test_letters_beyond_ascii_are_written_as_people_write_them_without_and_whole_as_an_annotation(tmp_path, banner, written):
    """The header of EDF+ is ASCII, its annotations are UTF-8 (EDF+ specification, sections 2.1.3 and 2.2.3)."""
    edf_plus.write(tmp_path / "a.edf", reviewed(), identity=True, banner=banner)
    read = edfio.read_edf(tmp_path / "a.edf")
    assert read.local_patient_identification.split(" ")[4:] == ([written] if written else [])
    assert f"notice of the agency: {banner}" in [one.text for one in read.annotations]
    assert (tmp_path / "a.edf").read_bytes()[: 256 * (1 + len(read.signals))].isascii()


def test_annotations_of_a_shared_case_say_caution_and_notice_whole_and_are_read_again_without_them(tmp_path):
    banner = "Präsidium für Rettungswesen: " + "vertraulich, " * 20
    shared = shareable.write(tmp_path, reviewed(), banner=banner)
    files = sorted(shared.glob("*-list.edf"))
    assert files
    for path in files:
        texts = [one.text for one in edfio.read_edf(path).annotations]
        assert SHORT in texts
        assert "".join(text.removeprefix("notice of the agency: ") for text in texts if text.startswith("notice")) == banner.strip()
    again, once = (review.case.events["type"] == "unmapped" for review in (pipeline.measure_case(shared), reviewed()))
    assert again.sum() == once.sum()


def test_a_bundle_says_it_among_its_security_labels_and_first_of_all_cautions():
    made_ = bundles.bundle(reviewed(), banner=BANNER)
    told = next(one["resource"] for one in made_["entry"] if one["resource"]["resourceType"] == "OperationOutcome")
    assert told["issue"][0]["diagnostics"] == BANNER
    assert "security" not in bundles.bundle(reviewed())["meta"]
    package = pytest.importorskip("fhir.resources.R4B.bundle")
    assert package.Bundle.model_validate(made_).meta.security[0].display == BANNER


def test_a_map_to_be_shared_can_be_taken_in_again(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text('name = "x"\n', encoding="utf-8")
    assert mapping.to_share(path, TRICKY).splitlines() == [f"# {TRICKY}", 'name = "x"']
    assert mapping.to_share(path, "") == 'name = "x"\n'


def test_whatever_writes_a_file_takes_the_banner():
    """So that a new export cannot be made without it; printed pages take it among their data."""
    missing = []
    for found in pkgutil.iter_modules(exports.__path__):
        module = importlib.import_module(f"qi.exports.{found.name}")
        for name, one in inspect.getmembers(module, inspect.isfunction):
            if one.__module__ != module.__name__ or name.startswith("_") or found.name in ("printed", "sheet_page"):
                continue
            gives = inspect.signature(one).return_annotation is bytes or name.startswith("write")
            if gives and "banner" not in inspect.signature(one).parameters:
                missing.append(f"{found.name}.{name}")
    assert not missing


def test_every_page_that_gives_out_files_knows_the_banner():
    for path in SCREENS.glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        gives = any(isinstance(one, ast.Attribute) and one.attr == "download_button" for one in ast.walk(tree))
        assert not gives or "banner" in path.read_text(encoding="utf-8"), path.name


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ('"  Peer   review  "', "Peer review"),
        ('"""\nPeer\nreview\n"""', "Peer review"),
        (r'"Peer\u0000 re\u202Eview\u0007"', "Peer review"),
        ('"  "', ""),
    ],
)
def test_a_banner_is_one_line_of_signs_that_can_be_seen(tmp_path, written, read):
    (tmp_path / "library.toml").write_text(f"[agency]\nbanner = {written}\n", encoding="utf-8")
    with Library.open(tmp_path) as library:
        assert library.settings.banner == read


def test_a_banner_too_long_for_a_page_is_refused_in_words(tmp_path):
    (tmp_path / "library.toml").write_text(f'[agency]\nbanner = "{"x" * (LONGEST_BANNER + 1)}"\n', encoding="utf-8")
    with Library.open(tmp_path) as library, pytest.raises(UnreadableFile, match=f"at most {LONGEST_BANNER}"):
        _ = library.settings
