"""Protocols as data: every limit has a source, an agency may override any, and a misspelt entry is refused."""

import pytest

from qi.judge import protocol
from qi.measures import MEASURES
from qi.model.errors import QiError, UnknownWord, UnreadableFile
from qi.pipeline import MEASURE_IDS


def read(name, **rest):
    return protocol.read(name, chosen_by="the test", measures=MEASURE_IDS, **rest)


@pytest.mark.parametrize("name", protocol.built_in())
def test_every_number_of_a_protocol_says_where_it_comes_from(name):
    one = read(name)
    for key, definition in one.definitions.items():
        assert definition.source, key
        assert definition.meaning, key
        assert definition.checked in ("abstract read", "secondary note", "from memory", "our default"), key
    for key, rule in one.rules.items():
        for limit in (rule.limit, rule.goal):
            assert limit is None or limit.source not in ("", "no source given"), key
    assert {need for measure in MEASURES for need in measure.needs} <= set(one.definitions)


@pytest.mark.parametrize(
    ("age_years", "name"),
    [(61, "adult-2020"), (13, "adult-2020"), (12.9, "child-2020"), (1, "child-2020"), (0.99, "infant-2020"), (0.05, "newborn")],
)
def test_the_protocol_follows_the_age(age_years, name):
    assert protocol.by_age(age_years, measures=MEASURE_IDS).name == name


def test_child_and_infant_limits():
    """20 to 30 breaths a minute with an advanced airway, AHA 2020 as quoted by US Pharm 46(8) (2021) HS2 (read)."""
    for name in ("child-2020", "infant-2020"):
        one = read(name)
        assert (one.values["under_ventilated_per_min"], one.values["over_ventilated_per_min"]) == (20.0, 30.0)
        assert one.rules["ventilation_rate"].limit.text == "20 to 30"
        assert one.rules["compression_fraction"].limit.text == ">= 0.6"
    assert read("infant-2020").values["depth_band_mm"] == (35.0, 45.0)


@pytest.mark.parametrize(
    ("name", "patient"), [("adult-2020", "adult"), ("child-2020", "child"), ("infant-2020", "infant"), ("newborn", "infant")]
)
def test_whom_it_is_for_is_said_by_the_protocol_or_by_the_one_it_extends_and_not_by_letters_in_its_name(tmp_path, name, patient):
    near = [agency(tmp_path, f'extends = "{name}"', name="fairchild-2031.toml")]
    assert read(name).patient == read("fairchild-2031", near=near).patient == patient
    agency(tmp_path, f'extends = "{name}"\npatient = "child"', name="our-paediatric.toml")
    assert read("our-paediatric", near=near).patient == "child"


def agency(folder, text, name="ours.toml"):
    (folder / name).write_text(text, encoding="utf-8")
    return folder


def test_an_agency_overrides_any_entry_and_keeps_the_rest(tmp_path):
    text = """
extends = "adult-2020"
title = "Ours"
[definitions]
long_pause_s = 8
lean_force_n = { value = 20.0, unit = "N", source = "medical director, 2031" }
[limits.compression_fraction]
limit = ">= 0.75"
limit_source = "medical director, 2031"
"""
    one = read("ours", near=[agency(tmp_path, text)])
    assert (one.name, one.values["long_pause_s"], one.values["lean_force_n"]) == ("ours", 8, 20.0)
    assert one.definitions["long_pause_s"].source == "set by the agency"
    assert one.rules["compression_fraction"].limit.text == ">= 0.75"
    assert one.rules["compression_fraction"].goal is None
    assert one.rules["longest_pause_s"].limit.text == "<= 10"
    assert read(str(tmp_path / "ours.toml")).name == "ours"


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ('extends = "adult-2020"\n[definitions]\nlong_pauze_s = 8', "long_pauze_s"),
        ('extends = "adult-2020"\n[limits.compresion_fraction]\nlimit = ">= 0.7"', "compresion_fraction"),
        ('extends = "adult-2020"\n[limits.compression_fraction]\nlimt = ">= 0.7"', "limt"),
        ('extends = "adult-2021"', "adult-2021"),
        ('extends = "adult-2020"\ntitel = "x"', "titel"),
        ('extends = "adult-2020"\npatient = "baby"', "baby"),
    ],
)
def test_a_misspelt_entry_is_an_error_that_lists_the_choices(tmp_path, text, word):
    with pytest.raises(UnknownWord) as error:
        read("ours", near=[agency(tmp_path, text)])
    assert error.value.word == word
    assert len(error.value.choices) > 2
    assert word in str(error.value)


def test_other_faults_are_said_too(tmp_path):
    with pytest.raises(QiError, match="is not a limit"):
        read("ours", near=[agency(tmp_path, 'extends = "adult-2020"\n[limits.compression_fraction]\nlimit = "about 0.7"')])
    with pytest.raises(UnreadableFile, match="says what it extends"):
        read("ours", near=[agency(tmp_path, 'title = "x"')])
    with pytest.raises(UnreadableFile, match="not a protocol in TOML"):
        read("ours", near=[agency(tmp_path, "title = ")])
    with pytest.raises(QiError, match="extends itself"):
        read("ours", near=[agency(tmp_path, 'extends = "ours"')])
    with pytest.raises(UnknownWord, match="adult-2020"):
        read("nothing-like-it")
