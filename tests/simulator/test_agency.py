"""The sample agency: made anew from its seed as it stands, small, plainly invented, its hidden changes there and no others."""

import json
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from qi.desk.cohort import tables
from qi.intake.look_over import case_folders
from qi.trends import cohort
from qi.trends.bundles import bundle, judge_bundle
from qi.trends.cohort_columns import COHORT, check
from tests.simulator.agency import A_MONTH, CHANGES, FIRST_YEAR, MONTHS, STATIONS, answers, calls, cares, rows_of
from tests.simulator.care_after_rosc import FACTS

SAMPLES = Path(__file__).parents[2] / "sample_cases"
HOME = SAMPLES / "agency"
MEGABYTE = 1_000_000
MADE_AT = ("definitions_digest",)  # changes with any setting, also one that changes no number here
STEADY = (
    "compression_rate",
    "compression_depth_mm",
    "time_to_epinephrine_s",
    "epinephrine_interval_s",
    "response_interval_s",
    "etco2_mmhg",
    "breath_duration_s",
)
CERTAIN, NOTHING = 1e-6, 1e-3  # of p: below the first a change is there, above the second none shows (our choice)


@pytest.fixture(scope="module")
def agency():
    """The whole table, with months since the first."""
    table = cohort.read(HOME)
    since = (table["year"] - FIRST_YEAR) * 12 + table["month"] - 1
    return pd.concat([table, since.rename("since")], axis="columns")


@pytest.mark.parametrize("number", [0, 140, 333, 545])
def test_a_case_made_anew_is_the_row_that_stands(number, agency):
    cases, pauses, shocks = tables([rows_of(calls()[number])])
    key = cases["key"].iloc[0]
    kept = agency[agency["key"] == key][[column.name for column in COHORT]].reset_index(drop=True)
    same = [name for name in kept.columns if name not in MADE_AT]
    pd.testing.assert_frame_equal(kept[same], cases[same], check_categorical=False, rtol=0, atol=1e-6)
    for name, made in (("pauses", pauses), ("shocks", shocks)):
        events = cohort.read_events(HOME, name, None, [("key", "==", key)])
        pd.testing.assert_frame_equal(events, made, check_categorical=False, rtol=0, atol=2e-3)


def test_it_keeps_the_contract_and_holds_every_call(agency):
    check(agency.drop(columns="since"))
    assert sorted(agency["case_id"]) == sorted(call.case_id for call in calls())
    assert len(agency) >= 400
    assert agency["since"].nunique() == MONTHS == 36
    assert (agency.groupby("since").size() > A_MONTH / 3).all()
    assert set(agency["station"]) == set(STATIONS)
    assert not {call.case_id for call in calls()} & {path.name for path in SAMPLES.iterdir()}


def test_it_is_small_and_holds_no_waveforms():
    files = [path for path in HOME.rglob("*") if path.is_file()]
    assert sum(path.stat().st_size for path in files) < 10 * MEGABYTE
    assert {path.name for path in files} == {"README.md", "cohort.json", "cases.parquet", "pauses.parquet", "shocks.parquet"}
    assert {path.name for path in HOME.iterdir()} == {"README.md", "cohort.json", "cases", "pauses", "shocks"}


def test_it_says_that_it_is_invented_and_nothing_takes_it_for_a_case():
    assert "invented" in (HOME / "README.md").read_text(encoding="utf-8").splitlines()[2]
    assert "invented" in set(cohort.read(HOME, ["agency"])["agency"]).pop()
    assert all("rv-2031" in folder.name for folder in case_folders(SAMPLES))


def test_the_answers_are_those_of_the_generator():
    told = json.loads((SAMPLES / "agency.answers.json").read_text(encoding="utf-8"))
    assert told["changes"] == json.loads(json.dumps(list(CHANGES)))
    assert "nvented" in told["about"]
    assert told == json.loads(json.dumps(answers()))


def test_care_after_rosc_is_found_as_it_was_drawn(agency):
    """Every case with ROSC, each fact: yes, no, or missing, as the generator wrote it down; no fact in any case without."""
    drawn = {call.case_id: care.told for call, care in cares()}
    found = agency.set_index("case_id")[list(FACTS)].astype(object)
    for case_id, told in drawn.items():
        assert {name: value if isinstance(value, str) else None for name, value in found.loc[case_id].items()} == told, case_id
    assert found.drop(index=list(drawn)).isna().all(axis=None)
    result = judge_bundle(agency, bundle("after_rosc"))
    assert result.all_or_none.missing > 0
    assert 0.1 < result.all_or_none.value < 0.5
    assert all(0 < one.share.missing < one.share.n for one in result.elements)


@pytest.mark.parametrize("name", FACTS)
def test_no_change_is_hidden_in_care_after_rosc(name, agency):
    """Met before and after each step, by Fisher's exact test (scipy)."""
    known = agency[agency[name].notna()]
    for change in STEPS:
        later = known["since"] >= since_of(change["from"])
        assert stats.fisher_exact(pd.crosstab(later, known[name].astype("str"))).pvalue > NOTHING


def test_case_mix_is_of_a_believable_order(agency):
    """Orders of size from memory, no source: rhythm, ROSC, survival; the rest is missing as records leave it out."""
    share = {name: (agency[name] == "yes").mean() for name in ("any_rosc", "survived_to_discharge", "bystander_cpr")}
    assert 0.2 < share["any_rosc"] < 0.45
    assert 0.04 < share["survived_to_discharge"] < 0.15
    assert 0.3 < share["bystander_cpr"] < 0.6
    assert 0.15 < agency["first_rhythm"].isin(("VF", "pVT")).mean() < 0.35
    assert set(agency["source"]) == {"signed", "machine"}
    assert 0.0 < (~agency["measurable"]).mean() < 0.2
    assert 0.0 < (agency["excluded"] != "").mean() < 0.1


def test_outcome_does_not_follow_from_process(agency):
    """Survival among the measured, by rank correlation within each kind of rhythm (scipy), so that length of effort has no say."""
    shockable = agency["first_rhythm"].isin(("VF", "pVT"))
    for name in ("compression_rate", "compression_depth_mm", "breath_duration_s"):
        for kind in (True, False):
            part = agency[(shockable == kind) & agency[name].notna()]
            assert stats.spearmanr(part[name], part["survived_to_discharge"] == "yes").pvalue > NOTHING, name


# The hidden changes, by plain statistics (medians, rank-sum test, straight line; scipy).


def since_of(month):
    day = date.fromisoformat(f"{month}-01")
    return (day.year - FIRST_YEAR) * 12 + day.month - 1


STEPS = [change for change in CHANGES if change["kind"] == "step"]
(DRIFT,) = [change for change in CHANGES if change["kind"] == "drift"]


def around(agency, name, change, station=None):
    """Values before and after a change, no other step between."""
    others = [since_of(one["from"]) for one in STEPS if one is not change]
    at = since_of(change["from"])
    low = max([0, *(other for other in others if other < at)])
    high = min([MONTHS, *(other for other in others if other > at)])
    part = agency if station is None else agency[agency["station"] == station]
    values = part[["since", name]].dropna()
    return (
        values[(values["since"] >= low) & (values["since"] < at)][name],
        values[(values["since"] >= at) & (values["since"] < high)][name],
    )


@pytest.mark.parametrize("change", STEPS, ids=lambda change: change["what"])
def test_each_step_is_seen_in_its_measures_and_goes_its_way(change, agency):
    for name, way in change["measures"].items():
        before, after = around(agency, name, change)
        assert stats.mannwhitneyu(before, after).pvalue < CERTAIN, name
        assert (after.median() > before.median()) == (way == "up"), name


@pytest.mark.parametrize("change", STEPS, ids=lambda change: change["what"])
def test_each_step_is_at_every_station(change, agency):
    name, way = next(iter(change["measures"].items()))
    for station in STATIONS:
        before, after = around(agency, name, change, station)
        assert (after.median() > before.median()) == (way == "up"), station
        assert stats.mannwhitneyu(before, after).pvalue < 0.05, station


@pytest.mark.parametrize("change", STEPS, ids=lambda change: change["what"])
def test_no_step_shows_in_another_measure(change, agency):
    others = [name for one in CHANGES if one is not change for name in one["measures"]]
    for name in [*STEADY, *others]:
        before, after = around(agency, name, change)
        assert stats.mannwhitneyu(before, after).pvalue > NOTHING, name


def test_the_device_is_used_more_often_after_it_came(agency):
    (change,) = [one for one in STEPS if "device" in one["what"]]
    used = agency[agency["device_used"].notna()]
    later = used["since"] >= since_of(change["from"])
    share = (used["device_used"] == "yes").groupby(later).mean()
    assert share[True] > share[False] + 0.2


def test_the_drift_is_at_its_station_as_steep_as_it_was_made_and_at_no_other(agency):
    (name,) = DRIFT["measures"]
    for station in STATIONS:
        part = agency[(agency["station"] == station) & agency[name].notna()]
        line = stats.linregress(part["since"], part[name])
        if station in DRIFT["stations"]:
            assert line.slope == pytest.approx(DRIFT["per_month"], abs=3 * line.stderr)
            assert line.pvalue < CERTAIN
        else:
            assert line.pvalue > 0.01, station


@pytest.mark.parametrize("name", ["compression_rate", "compression_depth_mm", "breath_duration_s", "time_to_epinephrine_s"])
def test_nothing_else_drifts_at_any_station(name, agency):
    for station in STATIONS:
        part = agency[(agency["station"] == station) & agency[name].notna()]
        assert stats.linregress(part["since"], part[name]).pvalue > NOTHING, station


def test_the_drift_is_not_in_the_first_year_alone(agency):
    (name,) = DRIFT["measures"]
    part = agency[agency["station"].isin(DRIFT["stations"])]
    by_year = part.groupby("year")[name].median()
    assert np.all(np.diff(by_year) > 0.5)
