"""Small cells hidden for sharing: what is shown never gives a count of 1 to 10 away.

The rule: cell-size policy of the Centers for Medicare & Medicaid Services (read in a secondary copy): cells of 1 to 10 are neither
shown nor derivable, 0 is allowed. That nothing can be derived is asked of an independent solver: for each hidden small count there
must be two different sets of numbers, none below 0, that agree with everything that is shown.
"""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from qi.model.errors import BadTable
from qi.trends.hidden_cells import HIDDEN, MOST_HIDDEN, Shape, Sum, hide
from qi.trends.hidden_shapes import CAPTURE, FUNNEL, GROUPS, MULTIPLES, PERIODS, shape_of

ONE = Shape(counts=("n",), derived={"median": ("n",)})
MET = Shape(counts=("judged", "met"), derived={"share": ("met", "judged")}, within={"met": ("judged",)})
MOSTLY_SMALL = st.one_of(st.integers(0, 14), st.integers(0, 60))


def gone(hidden, name):
    return [name in cell.split(", ") for cell in hidden[HIDDEN]]


def test_a_count_of_ten_is_hidden_eleven_and_none_are_shown():
    table = pd.DataFrame({"n": [0, 1, 10, 11, 40], "median": [np.nan, 2.0, 3.0, 4.0, 5.0]})
    shown = hide(table, ONE)
    assert shown["n"].isna().tolist() == [False, True, True, False, False]
    assert shown["median"].isna().tolist() == [True, True, True, False, False]
    assert shown[HIDDEN].tolist() == ["", "n, median", "n, median", "", ""]
    assert table["n"].tolist() == [0, 1, 10, 11, 40]


def test_a_single_hidden_count_takes_the_next_smallest_with_it():
    shown = hide(pd.DataFrame({"n": [4, 30, 20, 0], "median": 1.0}), ONE)
    assert gone(shown, "n") == [True, False, True, False]


def test_hidden_counts_that_are_small_together_take_another_with_them():
    """4 and 5 hidden from a known total would tell that 9 patients are in the two rows."""
    shown = hide(pd.DataFrame({"n": [4, 5, 30, 0], "median": 1.0}), ONE)
    assert gone(shown, "n") == [True, True, True, False]


def test_a_total_row_is_hidden_where_nothing_else_is_left_to_hide():
    table = pd.DataFrame({"n": [7, 0, 7], "median": 1.0})
    assert gone(hide(table, ONE, totals=[Sum(2, [0, 1])]), "n") == [True, False, True]


def test_met_of_38_is_hidden_where_few_did_not_meet_it():
    """38 judged, 33 met: 5 did not, and 5 is a small cell."""
    table = pd.DataFrame({"judged": [38, 50, 60], "met": [33, 30, 40], "share": [33 / 38, 0.6, 40 / 60]})
    shown = hide(table, MET)
    assert gone(shown, "met")[0]
    assert gone(shown, "share")[0]
    assert not any(gone(shown, "judged"))


def test_few_without_a_number_hide_the_cases_and_keep_the_median():
    row = {"start": "2031-01-01", "cases": 45, "n": 42, "judged": 42, "met": 20, "median": 0.8, "share": 0.5}
    table = pd.DataFrame([row, row, row]).assign(**dict.fromkeys((*PERIODS.derived,), 0.5))
    shown = hide(table, PERIODS)
    assert all(gone(shown, "cases"))
    assert not shown[["n", "judged", "met", "median", "share"]].isna().any(axis=None)


def test_how_many_cases_there_are_is_never_shared_so_that_no_other_measure_tells_who_has_no_number():
    """13 of 16 cases have a fraction and all 16 a depth: side by side the two tables would tell the three without."""
    fraction = pd.DataFrame({"start": "2031", "cases": 16, "n": [13, 16], "judged": [13, 16], "met": 0}).assign(
        **dict.fromkeys(PERIODS.derived, 0.5)
    )
    depth = fraction.assign(n=16, judged=16)
    for one in (fraction, depth):
        shown = hide(one, PERIODS)
        assert shown["cases"].isna().all()
        assert all(gone(shown, "cases"))
        assert shown["n"].notna().all()
    stations = pd.DataFrame({"group": ["1", "2"], "known": [40, 43], "cases": 43, "missing": [3, 0], "shown": "plain"})
    shown = hide(stations.assign(median=1.0, low=0.5, high=1.5, drawn_in=1.0, reliability=0.5), MULTIPLES)
    assert shown[["cases", "missing"]].isna().all(axis=None)
    assert shown[["known", "median"]].notna().all(axis=None)
    for shape in (FUNNEL, GROUPS):
        assert (
            hide(
                pd.DataFrame({"n": [40], "count": [20], "missing": [0]}).assign(
                    **dict.fromkeys((*shape.derived, *shape.running), 0.5)
                ),
                shape,
            )["missing"]
            .isna()
            .all()
        )


def test_a_stricter_threshold_of_the_agency():
    table = pd.DataFrame({"n": [15, 16, 40], "median": 1.0})
    assert gone(hide(table, ONE, most_hidden=15), "n") == [True, True, False]
    assert gone(hide(table, ONE), "n") == [False, False, False]


def test_a_column_that_adds_up_is_hidden_whole():
    shape = Shape(counts=("n",), running=("cumulative",))
    table = pd.DataFrame({"n": [40, 8, 3], "cumulative": [0.5, 0.9, 1.0]})
    assert hide(table, shape)["cumulative"].isna().all()
    assert not hide(table.assign(n=[40, 18, 13]), shape)["cumulative"].isna().any()


def test_what_is_no_count_is_refused():
    with pytest.raises(BadTable, match="whole numbers"):
        hide(pd.DataFrame({"n": [1.5], "median": 1.0}), ONE)
    with pytest.raises(BadTable, match="median"):
        hide(pd.DataFrame({"n": [1]}), ONE)


def test_a_value_without_any_count_behind_it_is_refused_never_taken_for_none():
    """Points between rare events have no n: each is one patient, under the patient's number."""
    points = pd.DataFrame({"label": ["rv-2031-0107", "rv-2031-0112"], "n": np.nan, "x": np.nan, "value": [12.0, 40.0]})
    shape = Shape(counts=("n", "x"), derived={"value": ("n", "x")}, within={"x": ("n",)})
    with pytest.raises(BadTable, match="value is given where no count"):
        hide(points, shape)
    assert hide(points.assign(n=30), shape)["value"].notna().all()
    assert hide(points.assign(value=np.nan), shape)["n"].isna().all()


def test_an_empty_table_stays_empty():
    assert len(hide(pd.DataFrame({"n": [], "median": []}), ONE)) == 0


def test_a_table_with_an_unknown_number_is_not_for_sharing():
    table = pd.DataFrame({"month": ["2031-01"], "known": [12], "recorded": [11], "measurable": [11], "elsewhere": [0]})
    table = table.assign(**dict.fromkeys(CAPTURE.derived, 0.5))
    assert shape_of(table) is CAPTURE
    assert shape_of(table.assign(seconds=12.0)) is None
    assert shape_of(pd.DataFrame({"key": ["a"], "compression_fraction": [0.8]})) is None


def could_be(values, shown, equations, functional, parts=()):
    """Least and greatest value of a sum of cells that fits all that is shown, by an independent linear solver.

    Who looks knows too that no number is below 0 and that no part is larger than its whole.
    """
    size = values.size
    rows = [*equations, *(np.eye(size)[i] for i in np.flatnonzero(shown))]
    right = [float(row @ values.ravel()) for row in rows]
    most = []
    for part, whole in parts:
        for row in range(len(values)):
            one = np.zeros(values.shape)
            one[row, part], one[row, whole] = 1.0, -1.0
            most.append(one.ravel())
    within = {"A_ub": np.array(most), "b_ub": np.zeros(len(most))} if most else {}
    ends = []
    for sign in (1.0, -1.0):
        found = linprog(sign * functional, A_eq=np.array(rows), b_eq=right, bounds=(0, None), method="highs", **within)
        ends.append(sign * found.fun if found.status == 0 else sign * -np.inf)
    return ends


def sums_of_rows(shape_, total, members):
    row = np.zeros(shape_)
    row[total, :] = 0
    found = []
    for column in range(shape_[1]):
        one = np.zeros(shape_)
        one[total, column] = -1.0
        one[members, column] = 1.0
        found.append(one.ravel())
    return found


def assert_nothing_small_derivable(values, shown, equations, parts=()):
    small = (values > 0) & (values <= MOST_HIDDEN)
    assert not (small & shown).any()
    for at in np.argwhere(small):
        functional = np.zeros(values.shape)
        functional[tuple(at)] = 1.0
        low, high = could_be(values, shown.ravel(), equations, functional.ravel(), parts)
        assert high - low >= 0.99, (values, shown, at)
    for part, whole in parts:
        for row in range(len(values)):
            if 0 < values[row, whole] - values[row, part] <= MOST_HIDDEN:
                functional = np.zeros(values.shape)
                functional[row, whole], functional[row, part] = 1.0, -1.0
                low, high = could_be(values, shown.ravel(), equations, functional.ravel(), parts)
                assert high - low >= 0.99, (values, shown, row)


@settings(max_examples=150, deadline=None)
@given(st.lists(MOSTLY_SMALL, min_size=1, max_size=7))
def test_no_hidden_count_is_derivable_from_a_total_row(counts):
    values = np.array([*counts, sum(counts)], dtype=float)[:, None]
    total, members = len(counts), list(range(len(counts)))
    shown = hide(pd.DataFrame(values, columns=["n"]), Shape(("n",)), totals=[Sum(total, members)])
    equations = sums_of_rows(values.shape, total, members)
    assert_nothing_small_derivable(values, ~np.array(gone(shown, "n"))[:, None], equations)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(MOSTLY_SMALL, MOSTLY_SMALL), min_size=1, max_size=5))
def test_neither_met_nor_not_met_is_derivable(rows):
    """judged = met + not met in each row and in the row of all; not met is never printed, yet must not be derivable."""
    met, not_met = (np.array(one, dtype=float) for one in zip(*rows, strict=True))
    values = np.column_stack([met + not_met, met])
    values = np.vstack([values, values.sum(axis=0)])
    total, members = len(rows), list(range(len(rows)))
    shown = hide(pd.DataFrame(values, columns=["judged", "met"]).assign(share=0.5), MET, totals=[Sum(total, members)])
    mask = ~np.column_stack([gone(shown, "judged"), gone(shown, "met")])
    assert_nothing_small_derivable(values, mask, sums_of_rows(values.shape, total, members), parts=[(1, 0)])
    assert (shown["share"].isna() == ~mask.all(axis=1)).all()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.lists(MOSTLY_SMALL, min_size=3, max_size=3), min_size=2, max_size=4))
def test_nothing_is_derivable_where_rows_and_columns_both_add_up(rows):
    """A table with totals on both sides: cells can hang together over several rows and columns."""
    inner = np.array(rows, dtype=float)
    values = np.column_stack([inner.sum(axis=1), inner])
    values = np.vstack([values, values.sum(axis=0)])
    names = ["all", "a", "b", "c"]
    total, members = len(rows), list(range(len(rows)))
    shape = Shape(counts=tuple(names), adds={"all": ("a", "b", "c")})
    shown = hide(pd.DataFrame(values, columns=names), shape, totals=[Sum(total, members)])
    equations = sums_of_rows(values.shape, total, members)
    for row in range(len(values)):
        one = np.zeros(values.shape)
        one[row] = [-1.0, 1.0, 1.0, 1.0]
        equations.append(one.ravel())
    mask = ~np.column_stack([gone(shown, name) for name in names])
    assert_nothing_small_derivable(values, mask, equations)


@settings(max_examples=60, deadline=None)
@given(st.lists(MOSTLY_SMALL, min_size=6, max_size=6))
def test_sums_by_month_and_by_group_that_stand_in_other_tables_give_nothing_away(counts):
    """Groups by month, while other tables show all cases of each month and of each group (a single month left out of neither)."""
    table = pd.DataFrame({"group": ["1", "1", "1", "2", "2", "2"], "month": ["a", "b", "c"] * 2, "cases": counts, "median": 1.0})
    shown = hide(table, Shape(counts=("cases",), derived={"median": ("cases",)}, across=("group", "month")))
    values = np.array(counts, dtype=float)[:, None]
    equations = [(table[by] == word).to_numpy(float) for by in ("group", "month") for word in table[by].unique()]
    mask = ~np.array(gone(shown, "cases"))[:, None]
    small = (counts := np.array(counts)) * ((counts > 0) & (counts <= MOST_HIDDEN))
    if all(counts @ one > MOST_HIDDEN or counts @ one == 0 for one in equations) and small.any():
        for at in np.flatnonzero(small):
            low, high = could_be(values, mask.ravel(), equations, np.eye(6)[at])
            assert high - low >= 0.99


def test_a_cell_that_only_several_sums_together_give_away():
    """Rows 0 and 1 less columns a and b leave cell (0, c): each of these sums has two hidden cells or more, and yet it is known."""
    names = ["a", "b", "c", "d"]
    inner = np.array([[7, 6, 5, 0], [8, 9, 0, 0], [0, 0, 8, 7], [0, 0, 9, 6], [40, 40, 40, 40]], dtype=float)
    values = np.column_stack([inner.sum(axis=1), inner])
    values = np.vstack([values, values.sum(axis=0)])
    shape = Shape(counts=("all", *names), adds={"all": tuple(names)})
    shown = hide(pd.DataFrame(values, columns=["all", *names]), shape, totals=[Sum(5, range(5))])
    mask = ~np.column_stack([gone(shown, name) for name in ("all", *names)])
    equations = sums_of_rows(values.shape, 5, list(range(5)))
    for row in range(6):
        one = np.zeros(values.shape)
        one[row] = [-1.0, 1.0, 1.0, 1.0, 1.0]
        equations.append(one.ravel())
    assert_nothing_small_derivable(values, mask, equations)


@settings(max_examples=60, deadline=None)
@given(st.lists(MOSTLY_SMALL, min_size=12, max_size=12), st.integers(0, 11))
def test_no_month_is_derivable_from_its_quarter_or_its_year(counts, skipped):
    """Months from one in the midst of a year on, while the sums of their quarters, years and of all of them are known."""
    months = pd.period_range("2030-01", periods=12 + skipped, freq="M")[skipped:]
    table = pd.DataFrame({"month": months.astype("str"), "known": counts, "recorded": 0, "measurable": 0, "elsewhere": 0})
    shown = hide(table.assign(**dict.fromkeys(CAPTURE.derived, 0.5)), CAPTURE)
    at = months.to_timestamp()
    equations = [(part == word).astype(float) for part in (at.year, at.to_period("Q"), np.zeros(12)) for word in pd.unique(part)]
    values = np.array(counts, dtype=float)[:, None]
    mask = ~np.array(gone(shown, "known"))
    assert not (mask & (values[:, 0] > 0) & (values[:, 0] <= MOST_HIDDEN)).any()
    for month in np.flatnonzero((values[:, 0] > 0) & (values[:, 0] <= MOST_HIDDEN)):
        if all(not one[month] or not 0 < one @ values[:, 0] <= MOST_HIDDEN for one in equations):
            low, high = could_be(values, mask, [one for one in equations if one.sum() > 1], np.eye(12)[month])
            assert high - low >= 0.99, (counts, skipped, month)


def test_a_small_month_takes_another_of_its_quarter_with_it_not_only_one_of_all():
    table = pd.DataFrame({"month": [f"2031-{month:02d}" for month in range(1, 13)], "n": [4, 30, 31, *[20] * 9]})
    assert gone(hide(table, Shape(counts=("n",), days="month")), "n") == [True, True, *[False] * 10]
    assert gone(hide(table, Shape(counts=("n",))), "n") == [True, False, False, True, *[False] * 8]
    quarters = pd.DataFrame({"label": ["2030 Q4", "2031 Q1", "2031 Q2"], "n": [20, 4, 40]})
    assert gone(hide(quarters, Shape(counts=("n",), days="label")), "n") == [False, True, True]


def test_few_of_all_patients_in_none_of_the_rows_hide_the_sum_of_the_rows():
    """546 cases, which a report says, less the 543 with a number: three have none."""
    table = pd.DataFrame({"n": [180, 181, 182], "median": 1.0})
    assert gone(hide(table, ONE, rest={"n": 3}), "n") == [True, False, False]
    assert not any(gone(hide(table, ONE, rest={"n": 45}), "n"))
    assert not any(gone(hide(table, ONE, rest={"n": 0}), "n"))
    assert gone(hide(table.assign(n=[4, 181, 182]), ONE, rest={"n": 45}), "n") == [True, True, False]


@settings(max_examples=60, deadline=None)
@given(st.lists(MOSTLY_SMALL, min_size=1, max_size=6), MOSTLY_SMALL)
def test_neither_a_row_nor_the_rest_is_derivable_from_the_number_of_all(counts, rest):
    """Who looks knows the number of all patients; the sum of the rows too, unless few are in none of them."""
    shown = ~np.array(gone(hide(pd.DataFrame({"n": counts, "median": 1.0}), ONE, rest={"n": rest}), "n"))
    values = np.array([*counts, rest], dtype=float)[:, None]
    few = 0 < rest <= MOST_HIDDEN
    equations = [np.ones(len(values))] if few else [np.array([*[1.0] * len(counts), 0.0])]
    total = float(equations[0] @ values[:, 0])
    if (len(counts) == 1 and not few) or 0 < total <= MOST_HIDDEN:
        return
    for at in np.flatnonzero((values[:, 0] > 0) & (values[:, 0] <= MOST_HIDDEN)):
        low, high = could_be(values, np.array([*shown, not few]), equations, np.eye(len(values))[at])
        assert high - low >= 0.99, (counts, rest, shown)
