"""Devices and airways as charted: when each went on and came off."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from qi.model.case import Case
from qi.model.journal import REVIEWER
from qi.model.spans import Spans
from qi.model.tables import DEVICES, make
from qi.model.vocabulary import ADVANCED_AIRWAYS

_TYPES = ("device_on", "device_off", "airway_placed", "airway_removed")


def devices(case: Case) -> pd.DataFrame:
    """Stretches with a device on, from device_on and device_off, airway_placed and airway_removed.

    Parameters: case, for its events [s]. Where the monitor's clock tells of a kind of device, other clocks do not; events on a
    clock that could not be placed are left out.
    Returns: DEVICES table; off_s is missing where no removal was charted. A second "on" while it is on is the same stretch; a
    new advanced airway ends the one before.
    """
    rows: list[dict[str, object]] = []
    for event in _telling(case).itertuples():
        kind = str(event.value)
        if event.type == "device_on" or (event.type == "airway_placed" and kind in ADVANCED_AIRWAYS and _went_in(event.text)):
            if event.type == "airway_placed":
                _close(rows, [other for other in ADVANCED_AIRWAYS if other != kind], event.time_s)
            if not _open(rows, [kind]):
                rows.append({"kind": kind, "on_s": event.time_s, "off_s": np.nan, "clock": event.clock, "source": event.source})
        elif event.type == "device_off":
            _close(rows, [kind], event.time_s)
        elif event.type == "airway_removed":
            _close(rows, [kind] if kind in ADVANCED_AIRWAYS else list(ADVANCED_AIRWAYS), event.time_s)
    return make(DEVICES, **{name: [row[name] for row in rows] for name in ("kind", "on_s", "off_s", "clock", "source")})


def _telling(case: Case) -> pd.DataFrame:
    """The events that tell of devices: of each kind, those on the monitor's clock where there are any; a reviewer's "on" takes the
    place of another clock's "on" of its kind, and leaves an "off" as it is."""
    events = case.events[case.events["type"].isin(_TYPES)]
    kind = events["value"].where(~events["type"].isin(("airway_placed", "airway_removed")), "airway")
    said = events["source"] == REVIEWER
    own = (events["clock"] == case.lead_clock) & ~said
    placed = np.array([case.clocks[clock].placed for clock in events["clock"]], dtype=bool)
    both = events["type"] + " " + kind.fillna("")
    return events[said | own | (placed & ~kind.isin(kind[own]) & ~both.isin(both[said]))]


def _went_in(text: object) -> bool:
    return "successful=no" not in str(text)


def _open(rows: list[dict[str, object]], kinds: list[str]) -> list[dict[str, object]]:
    return [row for row in rows if row["kind"] in kinds and np.isnan(float(str(row["off_s"])))]


def _close(rows: list[dict[str, object]], kinds: list[str], at_s: float) -> None:
    for row in _open(rows, kinds):
        row["off_s"] = at_s


def airways(found: pd.DataFrame) -> Mapping[str, Spans]:
    """Time with each advanced airway in place; one never charted as removed stays to the end.

    Parameters: found, DEVICES table [s].
    Returns: Spans by airway kind.
    """
    return {
        kind: Spans.of(zip(rows["on_s"], rows["off_s"].fillna(np.inf), strict=True))
        for kind in ADVANCED_AIRWAYS
        for rows in [found[found["kind"] == kind]]
    }
