"""The worklist on screen: order, reasons, filters, search, handing over, exclusions, days to feedback, second readings, samples."""

from datetime import UTC, datetime, timedelta

import pytest

from qi.desk import samples
from qi.library.library import Library
from tests.library.made_cases import bring_in
from tests.screens.acting import chosen, named, names
from tests.screens.conftest import words


@pytest.fixture
def listed(place, tmp_path):
    """A library with four small cases, of which the lot draws none: number, concern, reason."""
    place.mkdir()
    (place / "library.toml").write_text("[second_reading]\nshare = 0\n", encoding="utf-8")
    with Library.open(place) as library:
        for number, concern, why in (
            ("RV-1", 2.0, "longest pause 31.0 s (asked for: at most 10.0 s)"),
            ("RV-2", 7.0, "compression fraction 41 % (asked for: 60 % or more)"),
            ("RV-3", 0.0, "nothing stands out"),
            ("RV-4", 4.0, "ventilation rate 24 per min"),
        ):
            bring_in(library, tmp_path, number, concern=concern, words=why, call_at=datetime.now(UTC) - timedelta(days=10))
        yield library


def opened(**query):
    from streamlit.testing.v1 import AppTest

    app = AppTest.from_string("from qi.screens import worklist\nworklist.show()\n", default_timeout=60)
    for name, value in query.items():
        app.query_params[name] = value
    return app.run()


def table(app):
    return next((frame.value for frame in app.dataframe if "why first" in frame.value.columns), None)


def select(app, *rows):
    key = next(frame.key for frame in app.dataframe if "why first" in frame.value.columns)
    app.session_state[key] = chosen(rows)
    return app.run()


def key_of(library, number):
    return next(entry.key for entry in library.entries() if entry.case_id == number)


def write(library, number, kind, body, *, who="tester", **more):
    key = key_of(library, number)
    library.write(key, kind, body, who=who, after=library.about(key).last_line, **more)


def test_the_weightiest_concern_comes_first_with_its_reason(listed):
    app = opened()
    assert not app.exception
    shown = table(app)
    assert shown["case"].tolist() == ["RV-2", "RV-4", "RV-1", "RV-3"]
    assert shown["why first"].iloc[0] == "compression fraction 41 % (asked for: 60 % or more)"
    assert shown["state"].tolist() == ["waits for review"] * 4
    assert shown["days"].tolist() == ["10 so far"] * 4
    assert "4 of 4 cases wait for review" in words(app)
    assert "quality improvement" in words(app)


def test_order_state_and_search(listed):
    app = opened()
    app.selectbox(key="order").select("case").run()
    assert table(app)["case"].tolist() == ["RV-1", "RV-2", "RV-3", "RV-4"]
    app.text_input(key="find").set_value("PAUSE 31").run()
    assert table(app)["case"].tolist() == ["RV-1"]
    app.text_input(key="find").set_value("100 %").run()
    assert table(app) is None
    assert "No case fits" in words(app)
    app.text_input(key="find").set_value("").run()
    app.selectbox(key="which").select("in_review").run()
    assert table(app) is None
    assert not app.exception


def test_the_address_leads_back_to_a_filtered_list(listed):
    write(listed, "RV-3", "finding", {"kind": "other", "text": "seen"})
    app = opened(which="under review", order="case number")
    assert table(app)["case"].tolist() == ["RV-3"]
    assert app.selectbox(key="order").value == "case"


def test_the_whole_reason_is_told_of_a_chosen_case(listed):
    app = select(opened(), 1)
    assert "RV-4: ventilation rate 24 per min." in words(app)
    assert named(app.button, "open").label == "Open RV-4"


def test_cases_are_handed_over_filtered_by_name_and_given_back(listed):
    app = select(opened(), 0, 2)
    assert "open" not in names(app.button)
    named(app.text_input, "hand-to").set_value(" M. Ortiz ").run()
    assert named(app.button, "hand").label == "Hand 2 cases to M. Ortiz"
    named(app.button, "hand").click().run()
    assert not app.exception
    assert sorted(entry.case_id for entry in listed.entries(assigned_to="M. Ortiz")) == ["RV-1", "RV-2"]
    app = opened()
    app.selectbox(key="whose").select("M. Ortiz").run()
    assert table(app)["case"].tolist() == ["RV-2", "RV-1"]
    assert set(table(app)["for"]) == {"M. Ortiz"}
    select(app, 0, 1)
    named(app.text_input, "hand-to").set_value("").run()
    named(app.button, "hand").click().run()
    assert not app.exception, "the name that was filtered by is nobody's any more"
    app.selectbox(key="whose").select("nobody yet").run()
    assert len(table(app)) == 4


def test_one_that_cannot_be_written_does_not_keep_back_the_others(listed, monkeypatch):
    app = select(opened(), 0, 1)
    real = Library.write

    def refusing(self, key, kind, body, **more):
        if self.about(key).case_id == "RV-2":
            more["after"] = 0
            real(self, key, "assigned", {"to": "quick"}, who="another desk", after=0)
        return real(self, key, kind, body, **more)

    named(app.text_input, "hand-to").set_value("M. Ortiz").run()
    monkeypatch.setattr(Library, "write", refusing)
    named(app.button, "hand").click().run()
    assert not app.exception
    assert "RV-2: not written: another desk wrote who the case is for" in words(app)
    assert "RV-4" not in " ".join(error.value for error in app.error)
    assert listed.about(key_of(listed, "RV-4")).assigned_to == "M. Ortiz"
    assert table(app)["for"].tolist()[:2] == ["quick", "M. Ortiz"]


def test_an_excluded_case_leaves_the_list_and_is_counted_with_its_reason(listed):
    write(listed, "RV-2", "excluded", {"reason": "trauma", "why": ""})
    app = opened()
    assert table(app)["case"].tolist() == ["RV-4", "RV-1", "RV-3"]
    assert "3 of 4 cases wait for review" in words(app)
    assert "1 excluded" in words(app)
    reasons = next(frame.value for frame in app.dataframe if "reason" in frame.value.columns)
    assert reasons.to_dict("records") == [{"reason": "arrest from trauma", "cases": 1}]
    app.selectbox(key="which").select("excluded").run()
    assert table(app)["state"].tolist() == ["excluded: arrest from trauma"]


def test_days_from_call_to_feedback(listed):
    for number in ("RV-1", "RV-3"):
        listed.sign(key_of(listed, number), {"measures": []}, who="tester", after=0)
    write(listed, "RV-3", "feedback", {"how": "at the station"})
    app = opened()
    assert "2 of 4 cases wait for review, 1 for feedback to the crew" in words(app)
    assert "it took 10 days at the median (1 case)" in words(app)
    app.selectbox(key="which").select("done").run()
    assert table(app)["days"].tolist() == ["10"]
    assert table(app)["waits"].tolist() == [""]


def test_second_readings_are_asked_for_and_their_agreement_told(listed):
    app = select(opened(), 0)
    named(app.button, "ask-second").click().run()
    assert not app.exception
    key = key_of(listed, "RV-2")
    assert listed.about(key).second_status == "asked"
    app.selectbox(key="which").select("second").run()
    assert "RV-2" in table(app)["case"].tolist()
    agreed = {
        "causes": [["airway", "airway"], ["moving", "unknown"], ["shock", "shock"]],
        "verdicts": [["met", "met"], ["met", "not met"]],
        "marks": {"shock": [2, 0, 1]},
    }
    write(listed, "RV-2", "second_signed", {"agreement": agreed}, who="second reader", reading=2)
    app = opened()
    said = words(app)
    assert "read by a second reader" in said
    assert "What the pauses were for: 2 of 3 alike" in said
    assert "verdicts: 1 of 2 alike" in said
    assert "2 of 3 marks" in said
    differ = next(frame.value for frame in app.dataframe if "second reader" in frame.value.columns)
    assert differ.to_dict("records") == [{"first reader": "moving", "second reader": "unknown", "pauses": 1}]


def test_more_cases_than_a_page_holds(place, tmp_path):
    with Library.open(place) as library:
        for number in range(53):
            bring_in(library, tmp_path, f"RV-{number:03}", concern=float(number))
        app = opened()
        assert table(app)["case"].iloc[0] == "RV-052"
        assert len(table(app)) == 50
        app.number_input(key="page").set_value(2).run()
        assert table(app)["case"].tolist() == ["RV-002", "RV-001", "RV-000"]
        app.text_input(key="find").set_value("RV-01").run()
        assert not app.exception
        assert len(table(app)) == 10


def test_the_agency_s_own_cases_stay_when_the_samples_are_taken_out(place, tmp_path):
    with Library.open(place) as library:
        bring_in(library, tmp_path, "RV-1")
        bring_in(library, tmp_path, "made-up", invented=True)
        app = opened()
        assert "1 of these cases is an invented sample" in words(app)
        app.button(key="take-out").click().run()
        assert not app.exception
        assert [entry.case_id for entry in library.entries()] == ["RV-1"]
        assert "take-out" not in {button.key for button in app.button}


def test_an_empty_library_says_so_and_keeps_the_caution(place, monkeypatch, tmp_path):
    monkeypatch.setattr(samples, "FOLDER", tmp_path / "none")
    app = opened()
    assert not app.exception
    assert "The library holds no case yet" in words(app)
    assert "quality improvement" in words(app)


def test_a_library_that_cannot_be_opened_is_said(place, monkeypatch, tmp_path):
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    monkeypatch.setenv("QI_LIBRARY", str(tmp_path / "file"))
    app = opened()
    assert not app.exception
    assert "The library cannot be used" in words(app)
    assert "quality improvement" in words(app)


def test_the_day_of_a_call_is_that_of_its_place(shelf):
    shown = table(opened())["case"].tolist()
    assert shown.index("rv-2031-0112") < shown.index("rv-2031-0107")
    row = table(opened()).set_index("case").loc["rv-2031-0112"]
    assert row["call"] == "29 Jan 2031", "the 30th in UTC"
    assert "asked for" in row["why first"]


def test_a_library_of_samples_alone_is_empty_when_they_are_taken_out(place, tmp_path):
    with Library.open(place) as library:
        bring_in(library, tmp_path, "made-up", invented=True)
        app = opened()
        app.button(key="take-out").click().run()
        assert not app.exception
        assert library.keys() == []
        assert "The library holds no case yet" in words(app)
