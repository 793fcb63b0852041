"""Every page of the app ends with the cautions: with cases, without any, and where the library cannot be opened."""

import pytest
from streamlit.testing.v1 import AppTest

from qi.desk import samples
from qi.model.cautions import LONG, SHORT
from tests.screens.acting import to_page
from tests.screens.conftest import SAMPLES


def each_page():
    app = AppTest.from_file(str(SAMPLES.parent / "app.py"), default_timeout=120).run()
    for name in sorted(page["url_pathname"] for page in app._registered_pages.values()):
        yield name, to_page(app, name)


def ends_with_the_cautions(app):
    said = [one.value for one in app.main if one.type in ("caption", "markdown", "header", "subheader")]
    assert said[-1 - len(LONG) :] == [SHORT, *(f"- {sentence}" for sentence in LONG)]


def test_pages_of_a_full_library(shelf):
    names = []
    for name, app in each_page():
        names.append(name)
        assert not app.exception, name
        ends_with_the_cautions(app)
    assert len(names) >= 5


@pytest.mark.parametrize("how", ["empty", "broken"])
def test_pages_without_a_case(place, monkeypatch, tmp_path, how):
    monkeypatch.setattr(samples, "FOLDER", tmp_path / "none")
    if how == "broken":
        (tmp_path / "file").write_text("no folder", encoding="utf-8")
        monkeypatch.setenv("QI_LIBRARY", str(tmp_path / "file"))
    for name, app in each_page():
        assert not app.exception, name
        ends_with_the_cautions(app)
