"""Lining up the clocks of a case: what a setting would change, and the journal line that sets it."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from qi.corrections.clocks import with_offsets
from qi.desk.opened import Opened, clock_settings, review_of
from qi.model.case import Case
from qi.model.clock_proposal import ClockSetting
from qi.model.journal import Line
from qi.model.review import Review
from qi.model.words import answer, name


def body_of(case: Case, setting: ClockSetting, *, why: str) -> dict[str, Any]:
    """The body of a journal line that sets a clock.

    Parameters: case, as its clocks stand now; setting; why, the reviewer's reason.
    """
    now = case.clocks[setting.clock]
    stood = {"offset_s": now.offset_s, "uncertainty_s": _finite(now.uncertainty_s), "method": now.method, "placed": now.placed}
    return {
        "clock": setting.clock,
        "offset_s": round(setting.offset_s, 3),
        "uncertainty_s": round(setting.uncertainty_s, 3),
        "method": setting.method,
        "before": stood,
        "why": why,
    }


def _finite(value: float) -> float | None:
    return value if value < float("inf") else None


def with_setting(opened: Opened, lines: Sequence[Line], setting: ClockSetting) -> Review:
    """The review as it would be with one clock set.

    Parameters: opened; lines, of its journal; setting, not yet written.
    """
    others = [one for one in clock_settings(lines) if one.clock != setting.clock]
    case = with_offsets(opened.raw, [*others, setting])
    same = case.signals == opened.case.signals
    return review_of(replace(opened, case=case, seen=opened.looked if same else None), lines)


def changes(now: Review, then: Review) -> pd.DataFrame:
    """Which measures another clock setting would change: measure, now, then (verdicts where they change).

    Parameters: now and then, the review before and after.
    """
    rows = []
    later = {(one.id, one.of, one.from_): one for one in then.numbers}
    for one in now.numbers:
        other = later.get((one.id, one.of, one.from_))
        if other is None or one.id == "compression_fraction_minute":
            continue
        texts = (answer(one), answer(other))
        if texts[0] != texts[1] or one.verdict != other.verdict:
            verdicts = ("", "") if one.verdict == other.verdict else (f", {one.verdict}", f", {other.verdict}")
            rows.append({"measure": name(one), "now": texts[0] + verdicts[0], "then": texts[1] + verdicts[1]})
    return pd.DataFrame(rows, columns=["measure", "now", "then"])
