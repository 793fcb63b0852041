"""The page over time: the wall, one measure in full, its cases, what people set on it, saved views, and the other parts."""

import shutil

import pytest

from qi.desk import cohort, over_time, samples
from qi.desk.plans import plan_of
from qi.screens import over_parts
from tests.screens.conftest import SAMPLES, Shelf, words

MEASURE = "longest_pause_s"
CHART = f"chart-{MEASURE}-month-median of cases-run"


@pytest.fixture
def page(shelf):
    def opened(**query):
        app = shelf.opened("over_time", **query)
        assert not app.exception
        return app

    return opened


def choose_point(app, key, **point):
    app.session_state[key] = {"selection": {"points": [point], "point_indices": [], "box": [], "lasso": []}}
    return app.run()


def test_the_wall_opens_on_its_answer(page):
    said = words(page())
    assert "Signals in" in said
    assert "Longest pause: " in said
    assert "by chance with a probability of about" in said
    assert "These cases are invented" in said
    assert " were recorded and " in said
    assert "For retrospective quality improvement only" in said


@pytest.mark.parametrize("part", ["Measures", *over_parts.PARTS])
@pytest.mark.parametrize("every", ["month", "quarter"])
def test_every_part_opens(page, part, every):
    app = page(part=part, every=every)
    assert not app.error
    assert "For retrospective quality improvement only" in words(app)


def test_every_theme_of_measures_opens(page):
    app = page()
    themes = next(box for box in app.selectbox if box.key == "theme")
    for theme in themes.options:
        app = next(box for box in app.selectbox if box.key == "theme").select(theme).run()
        assert not app.exception
        assert not app.error


def test_a_point_of_the_wall_leads_to_its_chart(page):
    app = choose_point(page(), "wall-month-What matters most", curve_number=3, point_index=4)
    assert app.query_params["measure"] == over_time.MAIN[1]
    assert "months in a row" in words(app)


def test_a_measure_says_what_it_is_made_of(page):
    said = words(page(measure=MEASURE))
    assert "Median of cases: every case counts once" in said
    assert "this chart shows a signal by chance" in said
    assert "unlikely by chance" in said


@pytest.mark.parametrize("sort", ["case values", "mean of cases", "share of cases", "cases between rare events"])
def test_points_and_kind_can_be_changed(page, sort):
    app = page(measure=MEASURE, sort=sort)
    assert not app.error
    assert next(box for box in app.selectbox if box.key == "sort").value == sort


def test_a_measure_without_a_number_says_so(page):
    app = page(measure="device_left_on_s.itd", source="not signed")
    assert not app.exception


def test_from_a_point_to_its_cases(page, shelf):
    app = choose_point(page(measure=MEASURE), CHART, curve_number=0, point_index=24)
    assert "Cases of 2031-01" in [box.value for box in app.subheader]
    rows = next(frame.value for frame in app.dataframe if "recording" in frame.value.columns)
    held = rows[rows["recording"] == "to open"]
    assert held["case"].tolist() == ["rv-2031-0112"]
    assert (rows["call"].str.endswith("Jan 2031")).all()


def test_cases_are_narrowed_and_the_page_says_so(page):
    app = page()
    app = next(box for box in app.multiselect if box.key == "only-station").select("2").run()
    assert "Looked at: station 2." in words(app)
    app = next(box for box in app.button_group if box.key == "source").set_value("signed").run()
    assert "Looked at: signed cases alone, station 2." in words(app)
    assert " 0 as the machine found them" in words(app)


def test_the_limit_drawn_is_that_of_the_protocol_chosen(page):
    app = page(measure="longest_pause_s")
    assert "limit of the protocol adult-2020" in words(app)
    app = next(box for box in app.multiselect if box.key == "only-protocol").select("child-2020").run()
    assert not app.exception
    assert "limit of the protocol child-2020" in words(app)


def test_a_phase_is_set_with_its_reason_by_a_person_and_taken_back(own):
    app = own.opened("over_time", measure="compression_fraction")
    assert not app.exception
    app = next(box for box in app.radio if box.key == "plan-what").set_value("Begin a phase").run()
    next(box for box in app.text_input if box.key == "plan-reason").input("new monitors")
    app = next(button for button in app.button if button.key == "plan-set").click().run()
    kept, _ = plan_of(own.library, "compression_fraction|month")
    assert [phase.reason for phase in kept.phases] == ["new monitors"]
    assert "new monitors" in words(app)
    assert "Last set by tester" in words(app)
    next(button for button in app.button if button.key == "plan-back-0").click().run()
    assert plan_of(own.library, "compression_fraction|month")[0].phases == ()


def test_nothing_is_set_without_a_reason(own):
    app = own.opened("over_time", measure="compression_fraction")
    app = next(button for button in app.button if button.key == "plan-set").click().run()
    assert any("needs a reason" in box.value for box in app.error)
    assert own.library.plan("compression_fraction|month") is None


def test_a_view_is_saved_opened_and_removed(own):
    app = own.opened("over_time", every="quarter", measure=MEASURE)
    app = next(box for box in app.text_input if box.key == "view-name").input("Pauses by quarter").run()
    app = next(button for button in app.button if button.key == "view-save").click().run()
    (view,) = own.library.views()
    assert (view.name, view.who) == ("Pauses by quarter", "tester")
    assert view.body == {"every": "quarter", "source": "all", "measure": MEASURE, "sort": "median of cases", "kind": "run"}
    again = own.opened("over_time")
    again = next(button for button in again.button if button.label == "Pauses by quarter").click().run()
    assert again.query_params["measure"] == MEASURE
    assert next(box for box in again.button_group if box.key == "every").value == "quarter"
    next(button for button in again.button if button.key == f"view-remove-{view.id}").click().run()
    assert own.library.views() == []


def test_one_case_of_the_agencys_own_is_a_page_without_signals(own):
    app = own.opened("over_time")
    assert not app.exception
    said = words(app)
    assert said.startswith("1 case, March 2031: 0 with signed numbers, 1 as the machine found them.")
    assert "invented" not in said.lower().replace("nothing here is invented", "")
    assert "No signal can be looked for yet" in said


def test_an_empty_library_says_so(place):
    one = Shelf(place)
    samples.bring_in_where_empty(one.library)
    one.opened("over_time")
    samples.take_out(one.library, who="tester")
    list(cohort.build(one.library))
    shown = over_time.shown(one.library)
    assert not shown.invented
    assert over_time.read(shown, []).empty
    one.library.close()


def test_what_other_definitions_changed_can_be_compared(place, tmp_path):
    one = Shelf(place)
    ours = one.folder / "protocols" / "ours.toml"
    ours.write_text('extends = "adult-2020"\n', encoding="utf-8")
    folder = tmp_path / "rv-2031-0107"
    shutil.copytree(SAMPLES / "rv-2031-0107", folder)
    header = folder / "case.toml"
    text = header.read_text(encoding="utf-8").replace('id = "rv-2031-0107"', 'id = "rv-2031-0107"\nprotocol = "ours"')
    header.write_text(text, encoding="utf-8")
    one.bring(folder)
    list(cohort.build(one.library))
    ours.write_text('extends = "adult-2020"\n[definitions]\nlong_pause_s = 5\n', encoding="utf-8")
    app = one.opened("over_time")
    app = next(box for box in app.toggle if box.key == "over-changed").set_value(True).run()
    assert not app.exception
    rows = next(frame.value for frame in app.dataframe if "another value" in frame.value.columns)
    assert "Pauses over the limit" in rows["measure"].tolist()
    assert (rows["cases in both"] == 1).all()
    one.library.close()


def test_a_damaged_table_is_said_in_words(own):
    list(cohort.build(own.library))
    file = next((cohort.folder(own.library) / "cases").glob("year=*/month=*/cases.parquet"))
    file.write_bytes(b"no parquet")
    app = own.opened("over_time")
    assert not app.exception
    assert any("cannot be read" in box.value for box in app.error)
