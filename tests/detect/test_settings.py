"""The file of settings: complete, commented with its sources, and closed."""

import pytest

from qi.detect.settings import PLACE, USED_BY, load
from qi.model.errors import QiError, UnknownWord


def test_every_detector_has_its_settings():
    assert set(load()) == set(USED_BY)


def test_every_section_says_where_its_numbers_come_from():
    lines = PLACE.read_text(encoding="utf-8").splitlines()
    repeated = (
        next(k for k, line in enumerate(lines) if line.startswith("[compressions_from_force]")),
        lines.index("[ventilations_from_pressure]"),
    )
    for number, line in enumerate(lines):
        if "=" in line.split("#")[0] and not repeated[0] < number < repeated[1]:
            assert "#" in line, f"line {number + 1} has no source"


@pytest.mark.parametrize(
    ("found", "instead", "error"),
    [
        ("join_s = 1.0", "joyn_s = 1.0", UnknownWord),
        ("[recoils]", "[recoil]", UnknownWord),
        ("same_shock_s = 2.0", "", QiError),
        ("same_shock_s = 2.0", "same_shock_s = 'near'", QiError),
    ],
)
def test_a_misspelt_missing_or_wordy_entry_is_an_error(tmp_path, found, instead, error):
    place = tmp_path / "settings.toml"
    place.write_text(PLACE.read_text(encoding="utf-8").replace(found, instead, 1), encoding="utf-8")
    with pytest.raises(error):
        load(place)


def test_the_error_lists_the_choices(tmp_path):
    place = tmp_path / "settings.toml"
    place.write_text("[delivered_shocks]\nsame = 0.1\n", encoding="utf-8")
    with pytest.raises(UnknownWord, match="same_shock_s"):
        load(place)
