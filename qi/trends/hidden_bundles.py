"""A bundle by quarter with its small cells hidden, the whole and its elements together, since their counts hang together."""

from collections.abc import Sequence

import pandas as pd

from qi.trends.bundles import BundleResult, by_period
from qi.trends.dates import QUARTER
from qi.trends.hidden_cells import HIDDEN, MOST_HIDDEN, Shape, hide

WHOLE = "all"
_SHARED = ("key", "label", "period", "count", "n", "share", "low", "high", "shown")
_OF_SHARE = ("share", "low", "high")


def quarters(table: pd.DataFrame, found: BundleResult, *, most_hidden: int = MOST_HIDDEN) -> pd.DataFrame:
    """The whole bundle and its elements by quarter, for sharing.

    Parameters: table and found as in qi.trends.bundles.by_period; most_hidden, the largest count that is hidden.
    Returns: key, label, period, count (met), n (met or not met), share, low, high, shown, hidden. How many entries are missing, and
    of how many cases an element is not asked, is left out: with n they add up to the same cases for every element.
    Raises: BadTable for a missing column.
    """
    rows = by_period(table, found, every=QUARTER)
    keys = list(dict.fromkeys(rows["key"]))
    n, met = (rows.pivot(index="period", columns="key", values=name).reindex(columns=keys) for name in ("n", "count"))
    gone = hidden_parts(n, met, most_hidden=most_hidden)
    told = [
        (f"n {key}" in gone[period], f"met {key}" in gone[period]) for key, period in zip(rows["key"], rows["period"], strict=True)
    ]
    rows[HIDDEN] = [", ".join(_names(no_n, no_count)) for no_n, no_count in told]
    for name in ("n", "count", *_OF_SHARE, "shown"):
        rows[name] = rows[name].where([name not in hidden.split(", ") for hidden in rows[HIDDEN]])
    return rows[[*_SHARED, HIDDEN]]


def _names(no_n: bool, no_count: bool) -> Sequence[str]:  # noqa: FBT001 - the two flags of a row
    return [*["n"] * no_n, *["count"] * no_count, *(_OF_SHARE if no_n or no_count else ()), *["shown"] * no_n]


def hidden_parts(n: pd.DataFrame, met: pd.DataFrame, *, most_hidden: int = MOST_HIDDEN) -> dict[str, set[str]]:
    """Which counts of a bundle are hidden.

    Parameters: n and met, a row a quarter (2031 Q1), a column a part, the whole (WHOLE) first; most_hidden.
    Returns: by quarter the names of what is hidden: n, met and failed, each with its part. Whoever met the whole met each element
    that was asked, and whoever failed an element failed the whole, so that a small difference tells of few cases as well; the
    quarters of a year may be added up elsewhere.
    """
    keys = list(n.columns)
    parts = {"n": n, "met": met, "failed": n - met}
    wide = pd.concat([part.add_prefix(f"{name} ") for name, part in parts.items()], axis=1).fillna(0.0)
    elements = [key for key in keys if key != WHOLE]
    shape = Shape(
        counts=tuple(wide.columns),
        adds={f"n {key}": (f"met {key}", f"failed {key}") for key in keys},
        within={
            f"met {WHOLE}": [f"met {key}" for key in elements],
            **{f"failed {key}": [f"failed {WHOLE}"] for key in elements},
        },
        days="quarter",
    )
    made = hide(wide.assign(quarter=wide.index).reset_index(drop=True), shape, most_hidden=most_hidden)
    return {str(quarter): set(names.split(", ")) for quarter, names in zip(made["quarter"], made[HIDDEN], strict=True)}
