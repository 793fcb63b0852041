"""Moments that a reviewer goes to one after the other: pauses, shocks, disagreements, gaps in what was recorded."""

from collections.abc import Mapping

import pandas as pd

from qi.model.review import Review
from qi.model.words import amount

KINDS: Mapping[str, str] = {"pause": "pause", "shock": "shock", "disagreement": "disagreement", "gap": "long gap"}
LONG_GAP_S = 5.0  # arrest time that no chest sensor saw, from this length on [s] (our default, no source)


def moments(review: Review) -> pd.DataFrame:
    """Every moment of the four kinds in order of time: kind, start_s, end_s [s from case start], words."""
    found, listed_s = review.findings, review.protocol.values["listed_pause_s"]
    rows: list[tuple[str, float, float, str]] = []
    for pause in found.pauses[found.pauses["seconds"] >= listed_s].itertuples():
        cause = "cause unknown" if pause.cause == "unknown" else str(pause.cause).replace("_", " ")
        rows.append(("pause", pause.start_s, pause.end_s, f"Pause of {amount(pause.seconds, 's')}, {cause}"))
    rows += [("shock", time, time, "Shock") for time in found.shocks["time_s"]]
    rows += [("disagreement", one.start_s, one.end_s, str(one.what)) for one in found.disagreements.itertuples()]
    for gap in found.arrest.minus(found.compressions_known).longer_than(LONG_GAP_S):
        rows.append(("gap", gap.start_s, gap.end_s, f"Nothing recorded for {amount(gap.seconds, 's')}"))
    table = pd.DataFrame(rows, columns=["kind", "start_s", "end_s", "words"])
    return table.astype({"start_s": float, "end_s": float}).sort_values("start_s", kind="stable", ignore_index=True)


def beside(table: pd.DataFrame, kind: str, at_s: float | None, *, ahead: bool) -> float | None:
    """The next, or the previous, moment of one kind.

    Parameters: table, of moments; kind, of KINDS; at_s, where the reviewer is [s], None for before the first; ahead, whether the
    next is asked for.
    Returns: its start [s], None where there is none on that side.
    """
    starts = table.loc[table["kind"] == kind, "start_s"].to_numpy()
    here = float("-inf") if at_s is None else at_s
    # moments are written to a tenth of a second in the address, so that one that lies so near is the one the reviewer is at
    found = starts[starts > here + 0.06] if ahead else starts[starts < here - 0.06]
    if not len(found):
        return None
    return float(found[0] if ahead else found[-1])
