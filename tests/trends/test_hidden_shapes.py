"""Tables of times, ratios, strata and funnels can be shared: no hidden count can be worked out again from what they show.

Asked of an independent solver (scipy's linear programs), which knows what a reader knows: all that is shown, that no count is below
0, that a part is no larger than its whole, what adds up to what, and the sums of the rows, which other tables may show.
"""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from qi.trends.funnel import expected_next_of, funnel
from qi.trends.hidden_cells import HIDDEN, MOST_HIDDEN, hide
from qi.trends.hidden_shapes import FUNNEL, INCIDENCE, MULTIPLES, RATIOS, STRATA, shape_of
from qi.trends.incidence import CENSORED, DONE, NEVER, incidence
from qi.trends.observed_expected import Reference, by_stratum, observed_expected, ratios_table, reference_of
from qi.trends.time_to import Curve, device, marks_table
from tests.trends.cases import repeated, table

MOSTLY_SMALL = st.one_of(st.integers(0, 14), st.integers(0, 60))
MARKS = ("done_by_60_s", "done_by_120_s", "done_by_180_s")
ENDS = ("done_by_median_low", "done_by_median", "done_by_median_high")


class Reader:
    """Who looks at a shared table: a solver over all its counts, shown or not."""

    def __init__(self, counts, shown):
        self.names = list(counts.columns)
        self.values, self.shape = counts.to_numpy(dtype=float), counts.shape
        self.equal = [self.one((row, self.names[column])) for row, column in np.argwhere(shown.to_numpy())]
        self.most = []

    def one(self, *plus, less=()):
        found = np.zeros(self.shape)
        for sign, cells in ((1.0, plus), (-1.0, less)):
            for row, name in cells:
                found[row, self.names.index(name)] += sign
        return found.ravel()

    def sums(self, rows, names):
        self.equal += [self.one(*((row, name) for row in rows)) for name in names]

    def within(self, part, whole):
        self.most.append(self.one(part, less=[whole]))

    def spans(self, asked):
        """How far apart the least and the greatest value are that fit all that is known."""
        known = self.values.ravel()
        equal = np.array(self.equal or [np.zeros(known.size)])
        given_ = {"A_eq": equal, "b_eq": equal @ known, "bounds": (0, None), "method": "highs"}
        if self.most:
            given_ |= {"A_ub": np.array(self.most), "b_ub": np.zeros(len(self.most))}
        ends = [linprog(sign * asked, **given_) for sign in (1.0, -1.0)]
        return np.inf if any(one.status == 3 for one in ends) else -ends[1].fun - ends[0].fun

    def cannot_tell(self, asked):
        size = float(asked @ self.values.ravel())
        return not 0 < size <= MOST_HIDDEN or self.spans(asked) >= 0.99


def small(value):
    return 0 < value <= MOST_HIDDEN


def sum_is_small(known, asked):
    """Whether the sum of all rows, which other tables show, is small itself: then it is that table's to hide."""
    total = np.tile(asked.reshape(known.shape).sum(axis=0), (known.shape[0], 1))
    return small(float(total.ravel() @ known.values.ravel()))


def shared(made, shape):
    """The counts of a table and which of them are shown, once it is shared."""
    assert shape_of(made) is shape
    hidden = hide(made, shape)
    gone = [set(cell.split(", ")) for cell in hidden[HIDDEN]]
    names = list(shape.counts)
    shown = pd.DataFrame([[name not in row for name in names] for row in gone], columns=names)
    counts = made[names].astype(float)
    assert not (((counts > 0) & (counts <= MOST_HIDDEN)).to_numpy() & shown.to_numpy()).any()
    for name, of in shape.derived.items():
        assert hidden.loc[[bool(row & set(of)) for row in gone], name].isna().all(), name
    return hidden, counts, shown


def curve_of(counts, label="", left_out=0):
    """A curve of so many done in the first, second, third minute and later, never, and with a record that ends."""
    starts = (0.0, 61.0, 121.0, 181.0, 100.0, 150.0)
    codes = (DONE, DONE, DONE, DONE, NEVER, CENSORED)
    times = [start + 50.0 * (at + 1) / (count + 1) for start, count in zip(starts, counts, strict=True) for at in range(count)]
    told = [code for code, count in zip(codes, counts, strict=True) for _ in range(count)]
    return Curve(device("itd"), label, incidence(times, told), {"not recorded": left_out} if left_out else {}, 0)


def reader_of_times(made, counts, shown):
    known = Reader(counts.fillna(0.0), shown | counts.isna())
    rows = range(len(made))
    if len(made) > 1:
        known.sums(rows, [name for name in known.names if not counts[name].isna().any()])
    asked = []
    for row in rows:
        known.equal.append(known.one(*((row, name) for name in ("done", "never", "record_ends")), less=[(row, "n")]))
        at = [(60.0, MARKS[0]), (120.0, MARKS[1]), (180.0, MARKS[2])]
        at += [(made.loc[row, f"{name.removeprefix('done_by_')}_s"], name) for name in ENDS if pd.notna(made.loc[row, name])]
        order = [name for _, name in sorted(at)] + ["done", "n"]
        for part, whole in pairwise(order):
            known.within((row, part), (row, whole))
        asked += [known.one((row, whole), less=[(row, part)]) for at_, whole in enumerate(order) for part in order[:at_]]
        asked += [known.one((row, name)) for name in known.names]
    return known, asked


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.lists(MOSTLY_SMALL, min_size=6, max_size=6), min_size=1, max_size=3))
def test_nobody_done_in_one_minute_can_be_told_from_the_shares_by_the_marks(groups):
    """Neither a small count nor a small difference between two counts that add up over time."""
    groups = [counts for counts in groups if sum(counts)]
    assume(groups)
    made = marks_table([curve_of(counts, f"part {at}") for at, counts in enumerate(groups)])
    hidden, counts, shown = shared(made, INCIDENCE)
    known, asked = reader_of_times(made, counts, shown)
    for one in asked:
        elsewhere = len(made) > 1 and sum_is_small(known, one)
        assert elsewhere or known.cannot_tell(one), (groups, hidden)


def test_three_done_between_two_marks_are_not_told_by_the_difference_of_the_shares():
    """40 by 60 s and 43 by 120 s, of 100: the three in the second minute are a small cell, though both counts are large."""
    made = marks_table([curve_of((40, 3, 17, 20, 20, 0))])
    row = hide(made, INCIDENCE).iloc[0]
    assert made["done_by_120_s"].iloc[0] - made["done_by_60_s"].iloc[0] == 3
    assert np.isnan(row["done_by_60_s"])
    assert np.isnan(row["by_60_s"])
    assert (row["n"], row["done_by_120_s"], row["by_120_s"]) == (100, 43, 0.43)


def test_a_median_between_two_marks_goes_where_it_tells_how_many_were_done_between():
    """Half of 100 by the 50th: four after the 46 of the first minute."""
    made = marks_table([curve_of((46, 20, 14, 0, 20, 0))])
    assert 60 < made["median_s"].iloc[0] < 120
    assert made["done_by_median"].iloc[0] - made["done_by_60_s"].iloc[0] == 4
    row = hide(made, INCIDENCE).iloc[0]
    assert np.isnan(row["median_s"])
    assert row["by_60_s"] == 0.46


def test_few_whose_record_ends_are_not_told_by_a_share_that_is_not_its_count():
    row = hide(marks_table([curve_of((40, 20, 20, 0, 20, 4))]), INCIDENCE).iloc[0]
    assert row[["record_ends", "by_60_s", "by_120_s", "by_180_s", "median_s"]].isna().all()


def test_a_table_of_times_without_a_small_cell_is_shared_whole():
    made = marks_table([curve_of((40, 30, 20, 0, 20, 0), "before"), curve_of((20, 30, 40, 0, 20, 0), "after")])
    hidden = hide(made, INCIDENCE)
    marks = ["n", "done", "never", *MARKS, "by_60_s", "by_120_s_high"]
    assert not hidden[marks].isna().any(axis=None)
    assert (hidden["by_60_s"] == made["by_60_s"].round(2)).all()


RATES = Reference(
    "the region",
    {
        "ems_witnessed": (913, 171),
        "bystander_shockable": (1207, 397),
        "bystander_not_shockable": (2003, 119),
        "unwitnessed_shockable": (509, 83),
        "unwitnessed_not_shockable": (3001, 61),
    },
)
LOOKS = {
    "ems_witnessed": {"witnessed": "ems", "first_rhythm": "PEA"},
    "bystander_shockable": {"witnessed": "bystander", "first_rhythm": "VF"},
    "bystander_not_shockable": {"witnessed": "bystander", "first_rhythm": "asystole"},
    "unwitnessed_shockable": {"witnessed": "no", "first_rhythm": "VF"},
    "unwitnessed_not_shockable": {"witnessed": "no", "first_rhythm": "asystole"},
}
DISCHARGE = "survived_to_discharge"


def station(name, strata):
    """Cases of a station: how many in each stratum, and how many of them lived."""
    rows = []
    for stratum, (n, lived) in strata.items():
        rows += repeated(lived, survived_to_discharge="yes", station=name, **LOOKS[stratum])
        rows += repeated(n - lived, survived_to_discharge="no", station=name, **LOOKS[stratum])
    return rows


MIXES = {
    "1": {
        "ems_witnessed": (7, 3),
        "bystander_shockable": (14, 6),
        "bystander_not_shockable": (9, 1),
        "unwitnessed_not_shockable": (15, 2),
    },
    "2": {"ems_witnessed": (12, 4), "bystander_shockable": (20, 8), "unwitnessed_shockable": (4, 1)},
    "3": {"bystander_shockable": (30, 12), "unwitnessed_not_shockable": (40, 1)},
}


def mixes_that_fit(n, expected, digits):
    """Every number of cases in five strata that sums to n and gives this expected number, in so many digits."""
    rates = np.array([RATES.rate(stratum) for stratum in LOOKS])
    grid = np.stack(np.meshgrid(*[np.arange(n + 1)] * 4, indexing="ij"), axis=-1).reshape(-1, 4)
    grid = grid[grid.sum(axis=1) <= n]
    mixes = np.column_stack([grid, n - grid.sum(axis=1)])
    return mixes[np.abs(np.round(mixes @ rates, digits) - np.round(expected, digits)) < 0.5 * 10.0**-digits]


def test_the_mix_behind_an_expected_number_cannot_be_worked_out():
    """All mixes of 36 cases over five strata are tried: with all digits one fits what is expected, as shared many do."""
    cases = table(*(row for name, mix in MIXES.items() for row in station(name, mix)))
    made = ratios_table(observed_expected(cases, DISCHARGE, "station", RATES))
    second = made.iloc[1]
    truth = [MIXES["2"].get(stratum, (0, 0))[0] for stratum in LOOKS]
    assert mixes_that_fit(36, second["expected"], 9).tolist() == [truth]
    row = hide(made, RATIOS).iloc[1]
    assert (row["n"], row["observed"]) == (36, 13)
    fit = mixes_that_fit(36, row["expected"], 0)
    ratio = np.round(13 / (fit @ np.array([RATES.rate(stratum) for stratum in LOOKS])), 1)
    fit = fit[np.abs(ratio - row["value"]) < 0.05]
    assert (fit.max(axis=0) - fit.min(axis=0) >= 5).all()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(MOSTLY_SMALL, MOSTLY_SMALL, st.integers(0, 12)), min_size=1, max_size=5))
def test_neither_the_observed_nor_the_others_of_a_group_are_derivable(groups):
    made = pd.DataFrame(
        [(str(at), lived + died, lived, left) for at, (lived, died, left) in enumerate(groups)],
        columns=["label", "n", "observed", "left_out"],
    )
    made = made.assign(**dict.fromkeys(RATIOS.derived, 1.25)).assign(shown="plain")
    _, counts, shown = shared(made, RATIOS)
    known = Reader(counts, shown)
    if len(made) > 1:
        known.sums(range(len(made)), known.names)
    for row in range(len(made)):
        known.within((row, "observed"), (row, "n"))
    for row in range(len(made)):
        for one in (known.one((row, "n"), less=[(row, "observed")]), *(known.one((row, name)) for name in known.names)):
            alone = len(made) == 1 or sum_is_small(known, one)
            assert alone or known.cannot_tell(one), (groups, shown)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(MOSTLY_SMALL, MOSTLY_SMALL), min_size=9, max_size=9))
@example([(1, 0), (0, 0), (11, 0), (12, 0), (11, 0), (0, 0), (0, 11), (0, 0), (0, 0)])  # told by bounds alone, none below 0
def test_no_stratum_of_a_group_is_derivable_from_the_sums_of_groups_and_strata(cells):
    groups, strata = np.repeat(["1", "2", "3"], 3), ["a", "b", "c"] * 3
    lived, died = (np.array(one) for one in zip(*cells, strict=True))
    made = pd.DataFrame(
        {"group": groups, "stratum": strata, "n": lived + died, "observed": lived, "expected": 2.5, "shown": "grey"}
    )
    sums = [np.flatnonzero(made[by] == word) for by in ("group", "stratum") for word in made[by].unique()] + [np.arange(9)]
    assume(not any(small(one[rows].sum()) for one in (lived, died, lived + died) for rows in sums))
    _, counts, shown = shared(made, STRATA)
    known = Reader(counts, shown)
    for rows in sums:
        known.sums(rows.tolist(), known.names)
    for row in range(9):
        known.within((row, "observed"), (row, "n"))
    for row in range(9):
        for one in (known.one((row, "n"), less=[(row, "observed")]), *(known.one((row, name)) for name in known.names)):
            assert known.cannot_tell(one), (cells, shown)


def test_the_page_s_own_tables_of_ratios_and_strata_are_known():
    cases = table(*(row for name, mix in MIXES.items() for row in station(name, mix)))
    own = reference_of(cases, DISCHARGE, name="all")
    shared(ratios_table(observed_expected(cases, DISCHARGE, "station", own)), RATIOS)
    hidden, _, shown = shared(by_stratum(cases, DISCHARGE, "station", own), STRATA)
    assert not shown["n"].all()
    assert hidden.loc[shown["n"].to_numpy(), "expected"].notna().all()


@pytest.mark.parametrize("widened", [False, True])
def test_limits_and_values_drawn_in_go_where_a_group_is_hidden(widened):
    """They are made of all groups together: with a hidden one they would give an equation more for its count."""
    counts = pd.DataFrame({"group": list("abcde"), "count": [60, 45, 3, 71, 15], "n": [80, 90, 20, 100, 40], "missing": 0})
    points = expected_next_of(funnel(counts, noun="stations", widened=widened))
    hidden, _, _ = shared(points, FUNNEL)
    assert hidden[list(FUNNEL.running)].isna().all(axis=None)
    plain = hide(expected_next_of(funnel(counts.assign(count=[60, 45, 30, 71, 15], n=[80, 90, 60, 100, 40]), noun="x")), FUNNEL)
    assert plain[list(FUNNEL.running)].notna().all(axis=None)


def test_medians_drawn_in_go_where_a_group_is_hidden():
    made = pd.DataFrame({"group": ["1", "2"], "known": [40, 9], "cases": [40, 9], "missing": 0, "shown": "plain"})
    made = made.assign(median=1.0, low=0.5, high=1.5, drawn_in=1.0, reliability=0.5)
    hidden, _, _ = shared(made, MULTIPLES)
    assert hidden[["drawn_in", "reliability"]].isna().all(axis=None)
