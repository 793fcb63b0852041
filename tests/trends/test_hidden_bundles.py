"""Bundles by quarter for sharing: no count of the whole or of an element can be worked out that is small.

Asked of an independent solver (scipy's linear programs), which knows all that is shown, that known is met and failed together, that
whoever met the whole met every element, that whoever failed an element failed the whole, and the sums of each year and of all.
"""

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from qi.trends.bundles import bundle, by_period, judge_bundle
from qi.trends.dates import MONTH, QUARTER
from qi.trends.hidden_bundles import hidden_parts, quarters
from qi.trends.hidden_cells import HIDDEN, MOST_HIDDEN
from qi.trends.hidden_shapes import shape_of
from tests.trends.cases import case, table

KEYS = ("all", "fast", "deep")
WAYS = ((1, 1), (1, 0), (0, 1), (0, 0))  # whether a case met the first element, and the second
QUARTERS = ("2030 Q3", "2030 Q4", "2031 Q1", "2031 Q2")
MOSTLY_SMALL = st.one_of(st.integers(0, 14), st.integers(0, 60))


def counted(groups):
    """n and met of the whole and of two elements, from how many cases met which of them."""
    groups = np.array(groups, dtype=float)
    both, first, second = (groups @ np.array([float(met(way)) for way in WAYS]) for met in (all, lambda w: w[0], lambda w: w[1]))
    n = np.column_stack([groups.sum(axis=1)] * 3)
    index = list(QUARTERS[: len(groups)])
    return pd.DataFrame(n, index, KEYS), pd.DataFrame(np.column_stack([both, first, second]), index, KEYS)


def small(value):
    return 0 < value <= MOST_HIDDEN


class Reader:
    """Who looks at a shared table: cells are quarter, kind (met, failed) and part; n is their sum."""

    def __init__(self, n, met, gone):
        self.values = np.stack([met.to_numpy(), (n - met).to_numpy()], axis=1)  # quarter, kind, part
        self.equal, self.most = [], []
        for row, quarter in enumerate(n.index):
            for part, key in enumerate(KEYS):
                for name in {"n", "met", "failed"} - {one.split()[0] for one in gone[quarter] if one.endswith(f" {key}")}:
                    self.equal.append(self.cell(row, name, part))
                if part:
                    self.most.append(self.cell(row, "met", 0) - self.cell(row, "met", part))
                    self.most.append(self.cell(row, "failed", part) - self.cell(row, "failed", 0))
        for rows in [[row for row, one in enumerate(n.index) if one[:4] == year] for year in ("2030", "2031")] + [range(len(n))]:
            if len(rows) > 1:
                self.equal += [sum(self.cell(row, name, part) for row in rows) for name in ("n", "met") for part in range(3)]

    def cell(self, row, name, part):
        found = np.zeros(self.values.shape)
        for kind in {"n": (0, 1), "met": (0,), "failed": (1,)}[name]:
            found[row, kind, part] = 1.0
        return found.ravel()

    def cannot_tell(self, asked):
        known = self.values.ravel()
        equal, most = np.array(self.equal or [np.zeros(known.size)]), np.array(self.most)
        limits = {"A_eq": equal, "b_eq": equal @ known, "A_ub": most, "b_ub": np.zeros(len(most)), "method": "highs"}
        ends = [linprog(sign * asked, bounds=(0, None), **limits) for sign in (1.0, -1.0)]
        return any(one.status == 3 for one in ends) or -ends[1].fun - ends[0].fun >= 0.99


def asked_of(reader, rows):
    """What must not be told of a quarter: each count, and who met an element or failed the whole without the other."""
    for row in range(rows):
        for part in range(3):
            yield from ((row, reader.cell(row, name, part)) for name in ("n", "met", "failed"))
            if part:
                yield row, reader.cell(row, "met", part) - reader.cell(row, "met", 0)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.lists(MOSTLY_SMALL, min_size=4, max_size=4), min_size=1, max_size=4))
def test_neither_the_whole_nor_an_element_is_derivable(groups):
    n, met = counted(groups)
    gone = hidden_parts(n, met)
    reader = Reader(n, met, gone)
    for quarter in n.index:
        for key in KEYS:
            for name, count in (("n", n), ("met", met), ("failed", n - met)):
                assert not small(count.loc[quarter, key]) or f"{name} {key}" in gone[quarter]
    whole = reader.values.sum(axis=0)
    for row, asked in asked_of(reader, len(n)):
        if not small(asked @ reader.values.ravel()):
            continue
        part = asked.reshape(reader.values.shape)[row]
        years = [one for one in range(len(n)) if n.index[one][:4] == n.index[row][:4]]
        elsewhere = small((part * whole).sum()) or small((part * reader.values[years].sum(axis=0)).sum())
        assert elsewhere or reader.cannot_tell(asked), (groups, gone, row)


def test_nothing_is_hidden_where_no_count_or_difference_is_small():
    n, met = counted([[40, 20, 20, 20]] * 4)
    assert set().union(*hidden_parts(n, met).values()) == {""}


def test_few_who_met_an_element_and_not_the_whole_hide_how_many_met_it():
    """30 met the whole and 33 the first element: the three would be told by the difference."""
    gone = hidden_parts(*counted([[30, 3, 20, 20], [40, 20, 20, 20], [40, 20, 20, 20], [40, 20, 20, 20]]))
    assert "met fast" in gone["2030 Q3"]
    assert "met all" not in gone["2030 Q3"]


def test_the_table_of_the_page_is_shared_by_quarter_without_who_is_not_counted():
    verdicts = ("compression_fraction", "compression_rate", "compression_depth_mm", "longest_pause_s", "released_fraction")
    asked = bundle("compressions")
    cases = []
    for month in range(1, 10):
        for i in range(18):
            told = {name: "met" if i < 9 or (i < 12 and place) else "not met" for place, name in enumerate(verdicts)}
            found = {element.column: told.get(element.column.removesuffix("__verdict"), "met") for element in asked.element}
            cases.append(case(day=f"2031-0{month}-05", **found))
    made = table(*cases)
    found = judge_bundle(made, asked)
    shared = quarters(made, found)
    plain = by_period(made, found, every=QUARTER)
    assert shape_of(by_period(made, found, every=MONTH)) is None
    assert shared["period"].tolist() == plain["period"].tolist()
    assert not {"missing", "not_asked"} & set(shared)
    for name in ("n", "count", "share", "low", "high", "shown"):
        gone = np.array([name in hidden.split(", ") for hidden in shared[HIDDEN]])
        assert (shared[name].isna() == (plain[name].isna() | gone)).all()
        kept = shared[name].notna()
        assert (shared.loc[kept, name] == plain.loc[kept, name]).all()
    assert shared["share"].notna().any()
    assert shared[HIDDEN].str.contains("share").any()
    none = quarters(made.assign(year=0, month=0), found)
    assert none.empty
