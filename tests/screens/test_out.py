"""Files out on screen: one button a file, with and without identity, whatever the case holds and however it stands."""

import shutil

import pytest

from tests.screens.acting import named
from tests.screens.conftest import SAMPLES, Shelf, words

LABELS = [
    "Waveforms and events, EDF+",
    "Measures and events, CSV and Parquet, with a codebook",
    "Measures, FHIR R4 bundle",
    "The case, to be shared",
]


def buttons(app):
    return {button.label: button for button in app.get("download_button")}


@pytest.mark.parametrize("case", sorted(path.name for path in SAMPLES.glob("rv-*") if path.is_dir()))
def test_every_case_offers_four_files_with_and_without_identity(shelf, case):
    app = shelf.opened("walkthrough", case)
    assert not app.exception
    assert set(LABELS) <= set(buttons(app))
    said = words(app)
    assert said.index("**With identity**") < said.index("**Without identity**")
    assert "A rare event in a small place can still be known again" in said


def test_a_signed_case_still_goes_out(own):
    app = own.opened("walkthrough", "rv-2031-0107")
    named(app.button, "sign").click().run()
    assert not app.error
    assert set(LABELS) <= set(buttons(app))


def test_a_case_without_waveforms_goes_out_all_the_same(place, tmp_path):
    made = tmp_path / "record-only"
    made.mkdir()
    shutil.copy(SAMPLES / "rv-2031-0107" / "care_record.xml", made)
    shelf = Shelf(place)
    shelf.bring(made)
    app = shelf.opened("walkthrough", "record-only")
    assert not app.exception
    assert set(LABELS) <= set(buttons(app))
    shelf.library.close()
