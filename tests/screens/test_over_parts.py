"""Groups, times, outcomes, recording, bundles and pauses on screen: of the sample agency, of a tiny and of an empty table."""

from datetime import date
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from qi.desk.over_time import COMMON, Shown
from qi.screens import over_bundles, over_outcomes, over_times
from qi.trends import cohort
from qi.trends.averages import CASE_MEDIAN, CASE_SHARE, TIME_POOLED
from qi.trends.cohort_columns import COHORT
from qi.trends.during_arrest import WHY
from qi.trends.grouping import WAYS
from qi.trends.registry import CONTEXT
from qi.trends.series import Subject
from qi.trends.shrinkage import DRAWN_IN
from tests.trends.cases import case, repeated, table

AGENCY = Path(__file__).parents[2] / "sample_cases" / "agency"
SUBJECT = Subject("ventilation_rate.advanced_airway", "Ventilation rate, advanced airway", "1/min", "8 to 12", 8.0, 12.0)
SHOWN = Shown((AGENCY,), invented=True, stamp="sample")
PARTS = ("groups", "times", "outcomes", "recording", "bundles", "pauses")


@pytest.fixture(scope="module")
def agency():
    measures = (SUBJECT.column, f"{SUBJECT.column}__verdict", "first_pass", "first_pass__verdict")
    asked = (*COMMON, *over_times.COLUMNS, *over_outcomes.COLUMNS, *over_bundles.COLUMNS, *measures)
    held = {column.name for column in COHORT}
    return cohort.read(AGENCY, [name for name in dict.fromkeys(asked) if name in held])


def drawn(part, cases, *, every="quarter", subject=SUBJECT, known=None):
    """One part alone, as the page calls it."""

    def app(part, shown, cases, subject, every, known):
        import streamlit as st

        from qi.screens import over_bundles, over_capture, over_groups, over_outcomes, over_pauses, over_times

        calls = {
            "groups": lambda: over_groups.show(
                shown, cases, subject, every, open_cases=lambda keys: st.write(f"opens {len(keys)}")
            ),
            "times": lambda: over_times.show(cases),
            "outcomes": lambda: over_outcomes.show(cases),
            "recording": lambda: (over_capture.strip(cases, known), over_capture.show(cases, known)),
            "bundles": lambda: over_bundles.show(cases, every),
            "pauses": lambda: over_pauses.show(shown, cases),
        }
        calls[part]()

    given = {"part": part, "shown": SHOWN, "cases": cases, "subject": subject, "every": every, "known": known}
    return AppTest.from_function(app, kwargs=given, default_timeout=60).run()


def words(app):
    return " ".join(element.value for kind in (app.markdown, app.caption, app.subheader, app.error, app.info) for element in kind)


def charts(app):
    return list(app.get("plotly_chart"))


@pytest.mark.parametrize("part", PARTS)
def test_every_part_opens_on_the_sample_agency_with_a_chart_and_its_table(agency, part):
    app = drawn(part, agency)
    assert not app.exception
    assert charts(app)
    assert app.dataframe
    assert {CASE_MEDIAN, CASE_SHARE, TIME_POOLED} & {
        sentence for sentence in (CASE_MEDIAN, CASE_SHARE, TIME_POOLED) if sentence in words(app)
    }


@pytest.mark.parametrize("part", PARTS)
def test_an_empty_table_is_said_in_words_and_draws_nothing(agency, part):
    app = drawn(part, agency.iloc[:0])
    assert not app.exception
    assert not charts(app)
    assert "no case" in words(app).casefold() or "no arrest" in words(app).casefold()


@pytest.mark.parametrize("part", PARTS)
def test_a_tiny_table_shows_counts_and_no_share(part):
    app = drawn(part, table(*repeated(3, any_rosc="yes", survived_to_discharge="no", witnessed="no", first_rhythm="VF")))
    assert not app.exception
    assert "%, 95 %" not in words(app)


@pytest.mark.parametrize("by", WAYS)
def test_groups_by_every_way(agency, by):
    app = drawn("groups", agency)
    app.session_state["groups-by"] = by
    app.run()
    assert not app.exception
    assert "no ranking" in words(app)


def test_stations_are_named_and_the_one_that_drifts_is_beyond_the_limits(agency):
    app = drawn("groups", agency)
    told = words(app)
    assert "Station 2" in told
    assert "Beyond the 99.8 % limits" in told
    assert "moves back towards the usual by itself" in told
    app.toggle(key="funnel-widened").set_value(True).run()
    assert "the limits allow for it" in words(app)


def test_groups_stand_drawn_in_beside_what_was_seen_and_say_why(agency):
    app = drawn("groups", agency)
    app.session_state["groups-by"] = "unit"
    app.run()
    told = words(app)
    assert told.count(DRAWN_IN) == 1
    assert "cases on, 70 % or more of what a group differs by can be relied on" in told
    medians = next(frame.value for frame in app.dataframe if "median" in frame.value.columns)
    middle = medians["median"].mean()
    assert (abs(medians["drawn_in"] - middle) <= abs(medians["median"] - middle) + 0.5).all()
    shares = next(frame.value for frame in app.dataframe if "expected" in frame.value.columns)
    assert shares["group"].tolist() == medians["group"].tolist()
    assert shares["reliability"].between(0, 1).all()


def test_observed_over_expected_stands_drawn_in_too(agency):
    app = drawn("outcomes", agency)
    assert "a group needs about" in words(app)
    assert "112 agencies" in words(app)
    ratios = next(frame.value for frame in app.dataframe if "drawn_in" in frame.value.columns)
    assert (abs(ratios["drawn_in"] - 1) <= abs(ratios["value"] - 1)).all()


def test_a_point_of_the_funnel_opens_its_cases(agency):
    app = drawn("groups", agency)
    key = f"funnel-{SUBJECT.column}-station"
    app.session_state[key] = {
        "selection": {"points": [{"curve_number": 0, "customdata": "Station 2"}], "point_indices": [1], "box": [], "lasso": []}
    }
    app.run()
    included = agency[agency["excluded"].astype("str").fillna("") == ""]
    assert f"opens {int((included['station'] == '2').sum())}" in words(app)


def test_a_measure_of_yes_and_no_has_shares_alone(agency):
    app = drawn("groups", agency, subject=Subject("first_pass", "First pass", "1", yes_or_no=True))
    assert not app.exception
    assert "Each case answers yes or no" in words(app)
    assert CASE_MEDIAN not in words(app)


def test_a_measure_without_a_limit_says_why_there_is_no_funnel(agency):
    app = drawn("groups", agency.assign(**{f"{SUBJECT.column}__verdict": "no limit set"}))
    assert "sets no limit" in words(app)


@pytest.mark.parametrize("what", ["itd", "first_shock", "epinephrine", "defib_pads"])
def test_times_before_and_after_a_day(agency, what):
    app = drawn("times", agency)
    app.selectbox(key="time-to").set_value(what).run()
    app.date_input(key="times-since").set_value(date(2030, 6, 1)).run()
    assert not app.exception
    told = words(app)
    assert "before 1 June 2030" in told
    assert "What else changed on that day is not known here" in told
    assert "kind of sensor" in told or "Other sensors" in told


def test_times_with_and_without_the_device_are_not_offered_for_the_device_itself(agency):
    app = drawn("times", agency)
    assert "times-device" not in [toggle.key for toggle in app.toggle]
    app.selectbox(key="time-to").set_value("epinephrine").run()
    app.toggle(key="times-device").set_value(True).run()
    assert "with the ITD" in words(app)
    assert "Long arrests have more time" in words(app)


def test_no_outcome_is_offered_by_what_is_done_during_the_arrest(agency):
    app = drawn("outcomes", agency)
    offered = set(over_outcomes.OFFERED)
    assert offered == {"station", "shift", "unit", "hour"}
    assert set(over_outcomes.REFUSED) == {"airway_kind", "device_used", "sensors"}
    assert WHY in words(app)
    assert "Not offered: airway, device used, sensors." in words(app)


@pytest.mark.parametrize("outcome", ["any_rosc", "survived_to_discharge", "favourable_neurology"])
def test_outcomes_of_every_kind_name_the_landmark_and_date_the_context(agency, outcome):
    app = drawn("outcomes", agency)
    app.selectbox(key="outcome").set_value(outcome).run()
    assert not app.exception
    told = words(app)
    assert "10 min after the crew's first compression" in told
    app.number_input(key="landmark-min").set_value(15.0).run()
    assert "15 min after the crew's first compression" in words(app)
    if outcome == "survived_to_discharge":
        assert "2017" in told
        assert CONTEXT.split(":")[0] in told


def test_recording_counts_what_only_a_list_knows(agency):
    known = agency[["case_id", "year", "month"]].assign(case_id=[f"D-{at}" for at in range(len(agency))])
    alone, with_list = (words(drawn("recording", agency, known=one)) for one in (known.iloc[:0], known))
    assert "a list from dispatch would add them" in alone
    assert f"Of {len(agency)} arrests known to this library" in alone
    assert f"Of {2 * len(agency):,} arrests known, 498" in with_list


def test_sensors_before_and_after_a_day(agency):
    app = drawn("recording", agency)
    app.date_input(key="capture-since").set_value(date(2030, 6, 1)).run()
    assert not app.exception
    assert "1 June 2030" in words(app)


@pytest.mark.parametrize("bundle", over_bundles.BUNDLES)
def test_every_bundle_counts_what_is_missing(agency, bundle):
    app = drawn("bundles", agency)
    app.session_state["bundle"] = bundle
    app.run()
    assert not app.exception
    assert "issing is neither met nor failed" in words(app)
    assert charts(app)


def test_a_bundle_that_the_table_cannot_tell_of_says_so(agency):
    app = drawn("bundles", agency.drop(columns="compression_rate__verdict"))
    assert not app.exception
    assert "lacks compression_rate__verdict" in words(app)


def test_pauses_are_of_the_cases_shown_alone_and_can_be_long_ones_only(agency):
    whole, part = drawn("pauses", agency), drawn("pauses", agency[agency["station"] == "2"].reset_index(drop=True))
    assert "Other and unknown stand last" in words(whole)
    assert "524 cases are looked at" in words(whole)
    station = agency[(agency["station"] == "2") & (agency["excluded"].astype("str").fillna("") == "")]
    assert f"{len(station)} cases are looked at" in words(part)
    whole.number_input(key="pauses-least").set_value(10.0).run()
    assert not whole.exception
    shortest = whole.dataframe[0].value
    assert (shortest["seconds"] >= 10.0 * shortest["count"]).all()


def test_no_pause_so_long_is_said():
    cases = table(*repeated(3))
    app = drawn("pauses", cases)
    assert "there are no pauses" in words(app)
    app.number_input(key="pauses-least").set_value(60.0).run()
    assert "No pause of 60 s or more was seen" in words(app)


def test_names_that_look_like_markup_stand_as_they_are():
    rows = [case(station="*one*_[x]", **{SUBJECT.column: 10.0, f"{SUBJECT.column}__verdict": "met"}) for _ in range(40)]
    rows += [case(station="two", **{SUBJECT.column: 20.0, f"{SUBJECT.column}__verdict": "not met"}) for _ in range(40)]
    app = drawn("groups", table(*rows))
    assert not app.exception
    assert "\\*one\\*\\_\\[x\\]" in words(app)
