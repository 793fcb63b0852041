"""The sheet for the crew: what went well, one thing to work on, the three errors, the agency beside it, and questions.

Every sentence names the measures it rests on; no person is named; no outcome is predicted.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from qi.feedback.debrief import questions
from qi.feedback.gains import METHOD, gains, work_on
from qi.feedback.said import Said, age_words, found, seconds_of, sentence, value_of, why_not
from qi.feedback.story import of_the_rest
from qi.feedback.three_errors import NAMES, three_errors
from qi.feedback.went_well import went_well
from qi.model.cautions import LONG, SHORT
from qi.model.errors import QiError
from qi.model.review import Review
from qi.model.words import amount, clock

FEWEST = 10  # cases below which the agency's numbers are not shown (our default, no source)
FORMAT = 1
LONGEST_TEXT = 600
ADDED = 6  # sentences that a reviewer may add to a part
SECTIONS: Mapping[str, str] = {
    "went_well": "What went well",
    "work_on": "One thing to work on next time",
    "errors": "The three errors: what was seen",
    "compared": "Beside the agency’s other cases",
    "not_measured": "What could not be measured",
    "questions": "Questions for the debrief",
}
# What is compared: measure, which of several answers, and from where; each as the cohort table names it, and in words.
COMPARED: Sequence[tuple[str, str | None, str | None, str]] = (
    ("compression_fraction", None, None, "Time with {hands} on the chest"),
    ("longest_pause_s", None, None, "Longest pause"),
    ("peri_shock_pause_s", None, None, "Pause around a shock"),
    ("released_fraction", None, None, "Chest let up fully"),
    ("ventilation_rate", "advanced_airway", None, "Breaths with the advanced airway"),
    ("time_to_device_s", "itd", "first_compression", "First compression to ITD"),
)


@dataclass(frozen=True)
class Distribution:
    """The agency's cases that have one number: how many, the median, and the edges of the middle half."""

    n: int
    median: float
    low: float
    high: float


@dataclass(frozen=True)
class Agency:
    """The agency's cases to compare with, in plain data.

    when, which cases they are, in words; cases, how many; of, by answer as the cohort table names it (measure, then of and from
    after points).
    why_not, why there is nothing to compare with, empty where there is.
    """

    when: str = ""
    cases: int = 0
    of: Mapping[str, Distribution] | None = None
    why_not: str = ""


@dataclass(frozen=True)
class Sheet:
    """A sheet for the crew. Each part holds sentences; about tells of the case, method how the one thing was chosen."""

    case: str
    about: str
    patient: str
    went_well: tuple[Said, ...]
    work_on: tuple[Said, ...]
    errors: tuple[Said, ...]
    compared: tuple[Said, ...]
    not_measured: tuple[Said, ...]
    questions: tuple[Said, ...]
    compared_when: str = ""
    method: str = METHOD
    cautions: tuple[str, ...] = (SHORT, *LONG[2:])

    @property
    def sentences(self) -> tuple[Said, ...]:
        """Every sentence in the order of reading."""
        return tuple(one for name in SECTIONS for one in getattr(self, name))


def sheet(review: Review, agency: Agency | None = None) -> Sheet:
    """Write the sheet of a reviewed case.

    Parameters: review, as signed; agency, the agency's other cases in plain data (default: none, which the sheet says).
    Returns: Sheet, in the wording for the patient's age; nothing of the patient, the crew, the unit or the place is in it.
    """
    beside = agency or Agency(why_not="the agency’s cases were not at hand")
    known = (beside.of or {}).get("time_to_device_s.itd.first_compression")
    median_s = known.median if known and known.n >= FEWEST else None
    ranked = gains(review, device_median_s=median_s)
    return Sheet(
        review.case.id,
        _about(review),
        age_words(review).patient,
        went_well(review),
        work_on(review, device_median_s=median_s),
        three_errors(review),
        _compared(review, beside),
        _not_measured(review),
        questions(review, ranked[0] if ranked else None),
        f"{beside.when}: {beside.cases}" if beside.of is not None and beside.cases >= FEWEST else "",
    )


def _about(review: Review) -> str:
    case, protocol = review.case, review.protocol
    parts = [f"{case.start.day} {case.start:%B %Y}" if case.start else "day not recorded"]
    seconds = review.findings.arrest.seconds
    parts.append(f"{clock(seconds)} min of arrest" if seconds else "no arrest could be placed in time")
    parts.append(f"held to the protocol “{protocol.title}”")
    if not protocol.age_known:
        parts.append("age not recorded: adult limits are shown, and depth and breaths are not judged")
    return "; ".join(parts)


def _compared(review: Review, agency: Agency) -> tuple[Said, ...]:
    if agency.of is None:
        return (Said("compared.1", f"No comparison: {agency.why_not}."),)
    if agency.cases < FEWEST:
        others = f"{agency.cases} other {'case' if agency.cases == 1 else 'cases'}"
        return (Said("compared.1", f"{agency.when}: {others}, too few to compare with."),)
    told: list[Said] = []
    for id_, of, from_, words in COMPARED:
        label = words.format(hands=age_words(review).hands)
        one = found(review, id_, of, from_)
        if one is None:
            continue
        other = agency.of.get(".".join(part for part in (id_, of, from_) if part))
        count = other.n if other else 0
        if other is None or count < FEWEST:
            has = "case has" if count == 1 else "cases have"
            text = f"{label}: {value_of(one)} here; {count} other {has} it, too few to compare"
        else:
            half = f"{amount(other.low, one.unit)} to {amount(other.high, one.unit)}"
            median = amount(other.median, one.unit)
            text = f"{label}: {value_of(one)} here; agency median {median}, middle half {half} ({count} cases)"
        told.append(sentence(f"compared.{len(told) + 1}", text, one))
    return tuple(told) or (Said("compared.1", "No comparison: this case has none of the numbers that are compared."),)


def _not_measured(review: Review) -> tuple[Said, ...]:
    told: list[Said] = []
    wanted = ["compression_fraction", "compression_rate", "compression_depth_mm", "etco2_mmhg"]
    wanted += ["peri_shock_pause_s"] if len(review.findings.shocks) else []
    for id_ in wanted:
        one = review.of(id_)
        if one.value is None:
            told.append(sentence(f"not_measured.{len(told) + 1}", f"{one.label}: {why_not(one)}", one))
    fraction = review.of("compression_fraction")
    coverage = fraction.number.coverage
    if fraction.value is not None and coverage is not None and coverage < 0.995:
        lost = (1.0 - coverage) * review.findings.arrest.seconds
        text = f"{seconds_of(lost)} of the arrest were not recorded, so numbers may lie a little to either side"
        told.append(sentence(f"not_measured.{len(told) + 1}", text, fraction))
    if (unread := of_the_rest(review)) is not None:
        told.append(sentence(f"not_measured.{len(told) + 1}", unread.text, fraction))
    labels = [review.of(id_).label for id_ in wanted]
    return tuple(told) or (Said("not_measured.1", f"Of these nothing is missing: {', '.join(labels)}.", tuple(wanted)),)


def edited(one: Sheet, changes: Mapping[str, str | None], added: Mapping[str, Sequence[str]] | None = None) -> Sheet:
    """The sheet in a reviewer's words; what they wrote is marked as theirs.

    Parameters: changes, by key of a sentence its new text, or None to leave it out; added, by part (SECTIONS) new sentences for its
    end.
    Returns: the sheet; a sentence keeps what it rests on, and one that was not changed stays as it is. The cautions stay.
    Raises: QiError for a key or part that the sheet does not have, an empty or too long text, or one of the three errors left out.
    """
    keys = {said.key for said in one.sentences}
    for key, text in changes.items():
        if key not in keys:
            raise QiError(f"the sheet has no sentence “{key}”")
        if text is None and key in NAMES:
            raise QiError("the three errors stay on the sheet, in whatever words: say what was seen, or that it was not measured")
        _checked(text)
    parts: dict[str, Any] = {}
    for name in SECTIONS:
        kept = [_changed(said, changes[said.key]) if said.key in changes else said for said in getattr(one, name)]
        parts[name] = tuple(said for said in kept if said is not None)
    for name, texts in (added or {}).items():
        if name not in SECTIONS:
            raise QiError(f"the sheet has no part “{name}”; it has {', '.join(SECTIONS)}")
        if len(texts) > ADDED:
            raise QiError(f"at most {ADDED} sentences can be added to a part")
        first = 1 + sum(said.key.startswith(f"{name}.added.") for said in parts[name])
        parts[name] += tuple(Said(f"{name}.added.{at}", _checked(text), by_reviewer=True) for at, text in enumerate(texts, first))
    return replace(one, **parts)


def _changed(said: Said, text: str | None) -> Said | None:
    if text is None:
        return None
    new = " ".join(text.split())
    return said if new == " ".join(said.text.split()) else replace(said, text=new, by_reviewer=True)


def _checked(text: str | None) -> str:
    new = " ".join((text or "").split())
    if text is not None and not 0 < len(new) <= LONGEST_TEXT:
        raise QiError(f"a sentence has 1 to {LONGEST_TEXT} characters; this one has {len(new)}")
    return new


def body(one: Sheet) -> dict[str, Any]:
    """The sheet as plain values, to be kept."""
    return {"format": FORMAT} | asdict(one)


def of_body(kept: Mapping[str, Any]) -> Sheet:
    """A sheet from the values that were kept.

    Raises: QiError where they are of a later release.
    """
    if kept.get("format") != FORMAT:
        raise QiError(f"this sheet is of format {kept.get('format')}, this release reads {FORMAT}")
    values = {field.name: kept[field.name] for field in fields(Sheet)}
    for name in SECTIONS:
        values[name] = tuple(Said(**(said | {"rests_on": tuple(said["rests_on"])})) for said in values[name])
    return Sheet(**(values | {"cautions": tuple(values["cautions"])}))
