"""Everything found on one case that a measure may ask for, by name."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from qi.model.case import Case
from qi.model.fused import Changeover
from qi.model.seen import Sensors
from qi.model.spans import Span, Spans
from qi.model.tables import DISAGREEMENTS, MODES, make

CONTINUOUS_FROM = 60  # compressions in one run, above which it is continuous (measures 4)
ALWAYS = Spans(np.array([[-np.inf, np.inf]]))


@dataclass(frozen=True)
class Edge:
    """One edge of an arrest span: when, whether it starts or ends the span, and which rule and clock set it."""

    time_s: float
    side: str
    rule: str


@dataclass(frozen=True, eq=False)
class Arrest:
    """When the patient had no circulation, as far as the files tell.

    spans, the arrest spans [s]; edges, which rule set each; closed_by, what ended the last span (rosc, terminated,
    care_transferred, recording); final_pause_s, what lies between the last release and a closing event that stands on another
    clock, as (start, end); rosc, stretches of charted circulation between the spans and
    after, the last one from another clock where only that tells of it [s].
    """

    spans: Spans = field(default_factory=Spans)
    edges: tuple[Edge, ...] = ()
    closed_by: str | None = None
    final_pause: Span | None = None
    final_pause_error_s: float | None = None
    rosc: Spans = field(default_factory=Spans)
    questions: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Findings:
    """What was found on one case. Tables follow qi.model.tables; `*_known` is when a sensor could have seen such a thing.

    course is how the arrest went;
    exhalations are the breaths a capnogram saw; strokes names the sensors that know only the stroke of a compression; runs are
    the stretches with hands on the chest, parted by the protocol's gap; airway maps an airway kind to the time it was in place;
    by_rhythm is time that the compressions themselves show to be mechanical. disagreements are for the reviewer to look
    at; they decide nothing. by_ecg are the shocks that the ECG shows; sensors is what each sensor saw before they were joined.
    """

    case: Case
    course: Arrest
    compressions: pd.DataFrame
    compressions_known: Spans
    strokes: frozenset[str]
    runs: Spans
    pauses: pd.DataFrame
    ventilations: pd.DataFrame
    ventilations_known: Spans
    exhalations: pd.DataFrame
    exhalations_known: Spans
    recoils: pd.DataFrame
    shocks: pd.DataFrame
    devices: pd.DataFrame
    airway: Mapping[str, Spans]
    by_rhythm: Spans = field(default_factory=Spans)
    modes: pd.DataFrame = field(default_factory=lambda: make(MODES))
    disagreements: pd.DataFrame = field(default_factory=lambda: make(DISAGREEMENTS))
    changeovers: tuple[Changeover, ...] = ()
    by_ecg: pd.DataFrame = field(default_factory=pd.DataFrame)
    sensors: Sensors = field(default_factory=Sensors)

    @property
    def arrest(self) -> Spans:
        """The arrest spans."""
        return self.course.spans

    @property
    def unknown(self) -> Spans:
        """Time in which no sensor could have seen a compression."""
        return ALWAYS.minus(self.compressions_known)

    @property
    def breaths_unknown(self) -> Spans:
        """Time in which no sensor could have seen a breath."""
        return ALWAYS.minus(self.ventilations_known)

    @property
    def advanced(self) -> Spans:
        """Time with an advanced airway in place."""
        return self.airway.get("supraglottic", Spans()).union(self.airway.get("tracheal_tube", Spans()))

    @property
    def machine(self) -> Spans:
        """Time under a mechanical compressor, as charted: a sensor on the chest is not judged there."""
        rows = self.devices[self.devices["kind"] == "mechanical_cpr"]
        return Spans.of(zip(rows["on_s"], rows["off_s"].fillna(np.inf), strict=True))

    @property
    def mechanical(self) -> Spans:
        """Time under a mechanical compressor, as charted or as the regular rhythm shows: told apart from hands."""
        return self.machine.union(self.by_rhythm)

    @property
    def breath_phases(self) -> dict[str | None, Spans]:
        """Where breaths are judged apart: the arrest (None), with an advanced airway, bag-mask during runs of more than 60
        compressions before one, and after ROSC."""
        times = self.compressions["time_s"].to_numpy()
        counts = np.searchsorted(times, self.runs.edges[:, 1]) - np.searchsorted(times, self.runs.edges[:, 0])
        continuous = Spans(self.runs.edges[counts > CONTINUOUS_FROM])
        before = Spans.of([(-np.inf, self.advanced.hull.start_s if self.advanced else np.inf)])
        return {
            None: self.arrest,
            "advanced_airway": self.advanced.overlap(self.arrest),
            "bag_mask_continuous": continuous.overlap(self.arrest).overlap(before),
            "after_rosc": self.course.rosc,
        }
