"""A case for teaching rounds: without identity, in the picture, numbers and words that a room looks at together.

Whatever is shown is made from the case as qi.exports.masking leaves it; a sentence that still holds a free word of the case is left
out. No date stands in it, not even the year.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import pandas as pd

from qi.charts import pause_cost
from qi.charts.picture_lanes import cause
from qi.exports.masking import OLDEST_YEARS, without_identity
from qi.exports.private_words import Private
from qi.feedback.discussion import questions
from qi.feedback.said import Said
from qi.feedback.story import of_the_rest, story
from qi.model.case import Facts
from qi.model.review import Definition, Judged, Protocol, Review

MOST = 3  # cases beside one another: more cannot be read from the back of a room (our default, no source)
_ID = "case for teaching"
# What a room looks at first: measure, and which of its several answers.
MAIN: Sequence[tuple[str, str | None, str | None]] = (
    ("compression_fraction", None, None),
    ("longest_pause_s", None, None),
    ("compression_rate", None, None),
    ("compression_depth_mm", None, None),
    ("released_fraction", None, None),
    ("ventilation_rate", "advanced_airway", None),
    ("peri_shock_pause_s", None, None),
    ("time_to_device_s", "itd", "first_compression"),
    ("etco2_mmhg", None, None),
    ("time_to_epinephrine_s", None, None),
)


@dataclass(frozen=True, eq=False)
class Taught:
    """A case that a room may see: the masked review, who the patient was in a few words, what happened, and what to talk about."""

    review: Review
    who: str
    sentences: tuple[str, ...]
    questions: tuple[Said, ...]

    def answer(self, id_: str, of: str | None = None, from_: str | None = None) -> Judged | None:
        """One answer of a measure; None where it says nothing at all of this case."""
        found = next((one for one in self.review.all_of(id_) if (one.of, one.from_) == (of, from_)), None)
        return found if found is not None and (found.value is not None or found.number.status or found.limit) else None


def taught(review: Review) -> Taught:
    """A case without identity, for a room to look at.

    Parameters: review, as the reviewer left it.
    Returns: Taught; nothing in it names case, day, time of day, crew, unit, station, place or file.
    """
    masked = without_identity(review, id_=_ID).review
    shown = replace(masked, protocol=_definitions(masked.protocol, review.protocol.definitions))
    private = Private(review)
    told = [*story(shown), of_the_rest(review)]  # what is shown has no notes: they name files
    said = [private.without(one.text) for one in told if one is not None]
    asked = tuple(one for one in questions(shown) if private.without(one.text) is not None)
    return Taught(shown, patient(shown.case.facts), tuple(one for one in said if one is not None), asked)


def _definitions(masked: Protocol, known: Mapping[str, Definition]) -> Protocol:
    """The masked protocol with the numbers that stories and pictures ask for, and without who set them."""
    return replace(masked, definitions={name: Definition(one.value, one.unit, "", "", "") for name, one in known.items()})


def patient(facts: Facts) -> str:
    """Age band and sex.

    Parameters: facts, masked.
    """
    sex = facts.sex if facts.sex in ("female", "male") else ""
    return ", ".join(part for part in (age_band(facts.age_years), sex) if part)


def age_band(age_years: float | None) -> str:
    """An age as the band it lies in.

    Parameters: age_years, None where it is not recorded [years].
    References: everybody over 89 stands in one band, HIPAA Safe Harbor, 45 CFR 164.514(b)(2) (read on the web; mapped to case data
    in our own notes); the other bands are ours, no source.
    """
    if age_years is None:
        return "age not recorded"
    if age_years >= OLDEST_YEARS:
        return f"{OLDEST_YEARS:.0f} years or more"
    edges = (0, 1, 10, 18, 30, 40, 50, 60, 70, 80, 90)
    low, high = next((low, high) for low, high in pairwise(edges) if age_years < high)
    return "under 1 year" if low == 0 else f"{low} to {high - 1} years"


def rows(cases: Sequence[Taught]) -> list[tuple[Judged | None, ...]]:
    """The main measures, one row each with the answer of every case; one that says nothing of any case is left out."""
    found = [tuple(case.answer(*which) for case in cases) for which in MAIN]
    return [row for row in found if any(one is not None for one in row)]


def pauses(cases: Sequence[Taught]) -> pd.DataFrame:
    """Pauses of several cases by cause.

    Returns: cause in words; for case i the columns count_i, seconds_i, longest_i [s], 0 where a case had none; most seconds of all
    cases first.
    """
    parts = []
    for at, case in enumerate(cases):
        limit_s = float(case.review.protocol.values["long_pause_s"])
        table = pause_cost.by_cause(case.review.findings.pauses, limit_s=limit_s).set_index("cause")
        names = {"count": f"count_{at}", "seconds": f"seconds_{at}", "longest_s": f"longest_{at}"}
        parts.append(table[list(names)].rename(columns=names))
    joined = pd.concat(parts, axis=1).fillna(0.0)
    total = joined[[name for name in joined if name.startswith("seconds_")]].sum(axis=1)
    ranked = joined.loc[total.sort_values(ascending=False, kind="stable").index]
    return ranked.rename_axis("cause").reset_index().assign(cause=lambda table: [cause(str(word)) for word in table["cause"]])
