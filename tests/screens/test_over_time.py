"""The page over time: the wall, one measure in full, its cases, what people set on it, saved views, and the other parts."""

import shutil
from datetime import date

import pytest

from qi.desk import cohort, over_time, samples, signing
from qi.desk.opened import open_case, review_of
from qi.desk.over_time import Which
from qi.desk.plans import plan_of
from qi.screens import over_cases, over_measure, over_parts
from qi.screens.over_bundles import BUNDLES
from qi.screens.over_data import known_of
from qi.trends.averages import CASE_MEDIAN, TIME_POOLED
from qi.trends.baselines import Phase, Plan
from qi.trends.sentences import CHOSEN
from tests.screens.conftest import SAMPLES, Shelf, words

MEASURE = "longest_pause_s"
ROSC = "interval_s.rosc.first_compression_ems"
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


def test_time_pooled_can_be_chosen_and_is_said_on_the_chart(page):
    app = page(measure="compression_fraction")
    assert CASE_MEDIAN in words(app)
    assert "mean of cases " in words(app)
    pooled = page(measure="compression_fraction", sort="time-pooled share")
    assert TIME_POOLED in words(pooled)
    points = [next(frame.value for frame in one.dataframe if "value [%]" in frame.value.columns) for one in (app, pooled)]
    assert points[0]["point"].tolist() == points[1]["point"].tolist()
    assert points[0]["value [%]"].tolist() != points[1]["value [%]"].tolist()
    assert "time-pooled" not in words(page(measure=MEASURE)).lower()


def test_a_phase_says_how_far_it_lies_from_the_one_before(page, shelf, monkeypatch):
    begun = Plan(phases=(Phase("2030-09-01", "the [training]"),))
    monkeypatch.setattr(over_measure, "plan_of", lambda *_: (begun, 0))
    said = words(page(measure=MEASURE))
    assert "Since the phase begun in September 2030 for the reason “the \\[training\\]”\\: a case typically lies" in said
    assert "It is a difference, not its cause" in said
    assert CHOSEN in said
    assert "Since the phase begun" not in words(page(measure=MEASURE, sort="share of cases"))


def test_a_measure_without_a_number_says_so(page):
    """Two cases say how long an ITD was left on after ROSC, both of 2031."""
    app = page(measure="device_left_on_s.itd")
    assert not app.info
    app.date_input(key="last").set_value(date(2029, 12, 31)).run()
    assert not app.exception
    assert "Not drawn: no case with a known day has a number for it." in [box.value for box in app.info]


def test_from_a_point_to_its_cases(page, shelf):
    app = choose_point(page(measure=MEASURE), CHART, curve_number=0, point_index=24)
    assert "Cases of 2031-01" in [box.value for box in app.subheader]
    rows = next(frame.value for frame in app.dataframe if "recording" in frame.value.columns)
    held = rows[rows["recording"] == "to open"]
    assert held["case"].tolist() == ["rv-2031-0112"]
    assert (rows["call"].str.endswith("Jan 2031")).all()


@pytest.mark.parametrize("column", [MEASURE, "compression_rate"])
def test_a_case_opens_for_the_measure_that_led_to_it(page, shelf, monkeypatch, column):
    went = []
    monkeypatch.setattr(over_cases.pages, "go", lambda name, **query: went.append((name, query)))
    app = choose_point(page(measure=column), CHART.replace(MEASURE, column), curve_number=0, point_index=24)
    assert "Choose a case to open it at the moment that its number came from" in words(app)
    rows = next(frame.value for frame in app.dataframe if "recording" in frame.value.columns)
    at = rows["recording"].tolist().index("to open")
    app.session_state[f"cases-of-point-{column}-2031-01"] = {"selection": {"rows": [at], "columns": [], "cells": []}}
    app.run()
    assert went == [("walkthrough", {"case": shelf.key("rv-2031-0112"), "measure": column})]


def test_cases_without_a_recording_are_not_said_to_open(page):
    said = words(choose_point(page(measure=MEASURE), CHART, curve_number=0, point_index=2))
    assert "All of them stand in the invented agency's table alone: there is no recording to open." in said
    assert "Choose a case to open it" not in said


def test_the_cases_of_a_point_are_those_it_counts_and_the_others_are_told(page):
    """Breaths with an advanced airway: fewer than half of a month's cases have the number."""
    column = "ventilation_rate.advanced_airway"
    app = choose_point(page(measure=column), CHART.replace(MEASURE, column), curve_number=0, point_index=24)
    rows = next(frame.value for frame in app.dataframe if "recording" in frame.value.columns)
    assert 0 < len(rows)
    assert not rows["value"].str.contains("–|not", regex=True).any()
    assert "no number for it" in words(app)


@pytest.mark.parametrize("column", ["time_to_device_s.itd.first_compression", "time_to_epinephrine_s"])
def test_the_cases_of_a_share_done_in_time_are_its_n_with_those_that_never_had_it(page, column):
    """June 2029: the row of the points' own table says how many; as many cases are listed, and as many had it in time."""
    chart = f"chart-{column}-month-share done in time-run"
    app = choose_point(page(measure=column), chart, curve_number=0, point_index=5)
    points = next(frame.value for frame in app.dataframe if "point" in frame.value.columns).set_index("point")
    rows = next(frame.value for frame in app.dataframe if "recording" in frame.value.columns)
    assert len(rows) == points.loc["2029-06", "n"]
    assert (rows["in time"] == "yes").sum() == points.loc["2029-06", "count"]
    assert rows["value"].isin(["ended without it", "record ends"]).any()
    assert not (rows["value"].isin(["ended without it", "record ends"]) & (rows["in time"] != "no")).any()


def test_the_cases_of_a_group_are_those_that_its_share_counts(page):
    """Station 1 in the funnel of those who had the ITD in time: those that never had it are listed too."""
    column = "time_to_device_s.itd.first_compression"
    app = choose_point(page(measure=column), f"funnel-{column}-station", curve_number=0, point_index=0, customdata=["Station 1"])
    funnel = next(frame.value for frame in app.dataframe if "lies" in frame.value.columns).set_index("group")
    rows = next(frame.value for frame in app.dataframe if "recording" in frame.value.columns)
    assert len(rows) == funnel.loc["Station 1", "n"]
    assert (rows["in time"] == "yes").sum() == funnel.loc["Station 1", "count"]


def test_cases_are_narrowed_and_the_page_says_so(page):
    app = page()
    app = next(box for box in app.multiselect if box.key == "only-station").select("2").run()
    assert "Looked at: station 2." in words(app)
    app = next(box for box in app.button_group if box.key == "source").set_value("signed").run()
    assert "Looked at: signed cases alone, station 2." in words(app)
    assert " 0 as the machine found them" in words(app)


@pytest.mark.parametrize(("name", "word"), [("device_used", "yes"), ("airway_kind", "tracheal_tube")])
def test_cases_chosen_by_treatment_show_no_outcome_and_the_page_says_so(page, name, word):
    app = page(part="Outcomes")
    assert "Groups overlap" in words(app)
    app.multiselect(key=f"only-{name}").set_value([word]).run()
    assert not app.exception
    told = words(app)
    assert "No outcome is shown of cases chosen by" in told
    assert "Groups overlap" not in told
    assert "The only way in which an outcome stands here" not in told
    assert [chart.key for chart in app.get("plotly_chart")] == ["capture-strip"]
    app.multiselect(key=f"only-{name}").set_value([]).run()
    assert "Groups overlap" in words(app)


@pytest.mark.parametrize(("bundle", "shown"), [("after_rosc", False), ("itd", False), ("compressions", True)])
def test_bundles_of_cases_with_rosc_are_not_shown_of_cases_chosen_by_treatment(page, bundle, shown):
    app = page(part="Bundles")
    app.button_group(key="bundle").set_value(bundle).run()
    assert "met in " in words(app)
    app.multiselect(key="only-device_used").set_value(["yes"]).run()
    assert not app.exception
    told = words(app)
    assert ("met in " in told) is shown
    assert ("No outcome is shown of cases chosen by ITD used" in told) is not shown


@pytest.mark.parametrize("column", ["ventilation_rate.after_rosc", "device_left_on_s.itd"])
def test_measures_of_cases_with_rosc_are_not_grouped_by_treatment_nor_shown_of_cases_chosen_by_it(page, column):
    app = page(measure=column)
    (groups,) = [one for one in app.get("button_group") if one.key == "groups-by"]
    assert groups.options == ["Station", "Shift", "Unit", "First rhythm", "Hour of day"]
    assert "Not offered, since only cases with ROSC have it, and their number would tell an outcome: airway" in words(app)
    app.multiselect(key="only-airway_kind").set_value(["tracheal_tube"]).run()
    assert not app.exception
    assert "No outcome is shown of cases chosen by Airway" in words(app)
    assert not app.get("plotly_chart")


def test_time_to_rosc_is_not_grouped_by_treatment_nor_shown_of_cases_chosen_by_it(page):
    app = page(measure=ROSC)
    assert "Not offered, since it is the time of an outcome: airway, device used, sensors." in words(app)
    (groups,) = [one for one in app.get("button_group") if one.key == "groups-by"]
    assert groups.options == ["Station", "Shift", "Unit", "First rhythm", "Hour of day"]
    app.multiselect(key="only-device_used").set_value(["yes"]).run()
    assert not app.exception
    assert "No outcome is shown of cases chosen by ITD used" in words(app)
    assert not app.get("plotly_chart")


def test_groups_by_treatment_chosen_for_another_measure_fall_back_for_time_to_rosc(page):
    app = page(measure=MEASURE)
    app.session_state["groups-by"] = "device_used"
    app.run()
    assert "Not offered, since" not in words(app)
    app.query_params["measure"] = ROSC
    app.run()
    assert not app.exception
    assert "Not offered, since it is the time of an outcome" in words(app)


def test_the_limit_drawn_is_that_of_the_protocols_of_the_cases(page):
    """Pauses are asked the same of adults and children, depths are not (qi/judge/protocols)."""
    app = page(measure="longest_pause_s")
    assert "The dotted line is the limit that the protocols adult-2020 and child-2020 share." in words(app)
    app = page(measure="compression_depth_mm")
    assert "No limit is drawn: these cases are held to the protocols adult-2020 and child-2020" in words(app)
    app = next(box for box in app.multiselect if box.key == "only-protocol").select("child-2020").run()
    assert not app.exception
    assert "The dotted line is the limit of the protocol child-2020." in words(app)
    wall = words(page())
    assert "No limit is drawn for Compression depth" in wall


def test_a_broken_protocol_file_is_told_by_name_and_the_page_works(own):
    file = own.folder / "protocols" / "adult-2020.toml"
    file.parent.mkdir(exist_ok=True)
    file.write_text('extends = "adult-2020"\n', encoding="utf-8")
    app = own.opened("over_time", measure="longest_pause_s")
    assert not app.exception
    assert not app.error
    (said,) = [box.value for box in app.warning]
    assert said.startswith("The protocol file adult-2020.toml cannot be used: ")
    assert "The dotted line is the limit of the protocol adult-2020." in words(app)


def test_signed_cases_that_were_measured_anew_are_told_beside_the_choice(own):
    key = own.key("rv-2031-0107")
    kept = signing.record(review_of(open_case(own.library, key), []))
    own.library.sign(key, kept | {"definitions": "other"}, who="tester", after=0)
    said = words(own.opened("over_time"))
    assert "1 with signed numbers, 0 as the machine found them. 1 of the signed was measured anew" in said


def test_a_list_of_arrests_counts_by_day_and_not_where_it_cannot_tell(own):
    """One case of 18 March; the list has it, one arrest of 4 March and one of May. Counted by hand."""
    arrests = [("rv-2031-0107", date(2031, 3, 18)), ("X-1", date(2031, 3, 4)), ("X-2", date(2031, 5, 5))]
    own.library.keep_known(arrests, agency="Rillstone Valley EMS", source="dispatch", who="tester")
    assert "Of 3 arrests known, 1 were recorded" in words(own.opened("over_time")).replace("1 was", "1 were")
    shelf = own.library
    for first, last, many in (("2031-03-01", "2031-03-31", 2), ("2031-03-05", "2031-03-31", 1)):
        known, why = known_of(shelf, Which(first=first, last=last))
        assert (len(known), why) == (many, "")
    list(cohort.build(shelf))
    known, why = known_of(shelf, Which("machine"))
    assert known is None
    app = own.opened("over_time", source="not signed")
    assert why in words(app)


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


def test_a_view_keeps_what_was_chosen_within_a_part(own):
    app = own.opened("over_time", part="Bundles")
    bundle = next(box for box in app.button_group if box.key == "bundle")
    other = next(one for one in BUNDLES if one != bundle.value)
    app = bundle.set_value(other).run()
    app = next(box for box in app.text_input if box.key == "view-name").input("That bundle").run()
    next(button for button in app.button if button.key == "view-save").click().run()
    again = own.opened("over_time")
    again = next(button for button in again.button if button.label == "That bundle").click().run()
    assert not again.exception
    assert next(box for box in again.button_group if box.key == "bundle").value == other


def test_a_view_is_saved_opened_and_removed(own):
    app = own.opened("over_time", every="quarter", measure=MEASURE)
    app = next(box for box in app.text_input if box.key == "view-name").input("Pauses by quarter").run()
    app = next(button for button in app.button if button.key == "view-save").click().run()
    (view,) = own.library.views()
    assert (view.name, view.who) == ("Pauses by quarter", "tester")
    shown = {"every": "quarter", "source": "all", "measure": MEASURE, "sort": "median of cases", "kind": "run"}
    assert view.body == shown | {"groups-by": "station"}
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


def test_a_kind_that_one_case_has_no_point_of_says_so_on_a_page_with_its_cautions(own):
    app = own.opened("over_time", measure="compression_fraction", kind="moving range chart")
    assert not app.exception
    assert "Not drawn: a moving range chart needs two points in a row" in words(app)
    assert "For retrospective quality improvement only" in words(app)


def test_the_form_says_whose_charts_a_plan_holds_for(page):
    said = words(page(measure=MEASURE))
    assert "holds for every chart of Longest pause by month: of the whole agency" in said
    assert "You look at some cases alone now" not in said
    said = words(page(measure=MEASURE, source="not signed"))
    assert "You look at some cases alone now" in said


def test_the_rows_of_the_chart_and_those_of_the_months_each_bear_their_own_words(page, monkeypatch):
    offered = {}
    monkeypatch.setattr(
        over_measure.over_exports, "offer", lambda name, table, *, says, key, **_: offered.update({key: (table, says)})
    )
    page(measure="compression_fraction", sort="time-pooled share")
    points, said = offered["points-out"]
    assert TIME_POOLED in said
    assert CASE_MEDIAN not in said
    assert "median" not in points
    assert {"label", "n", "value", "centre", "limit_low", "limit_high", "phase", "left_out", "reason"} <= set(points)
    months, said = offered["measure-out"]
    assert CASE_MEDIAN in said
    assert (points["value"].to_numpy() == months["time_pooled"].to_numpy()).all()
    page(measure="time_to_device_s.itd.first_compression")
    assert "never had it are among the n" in offered["points-out"][1]
    assert {"count", "value_low", "value_high"} <= set(offered["points-out"][0])
    assert "never had it are among the n" not in offered["measure-out"][1]


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
