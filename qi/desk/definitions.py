"""The definitions in force, as one short digest: what a number would have to be measured anew for."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from qi.desk.agencies import protocols_near
from qi.detect import accuracy, settings
from qi.exports.records import measure_record
from qi.judge import protocol as protocols
from qi.library.library import Library
from qi.measures import MEASURES
from qi.model.errors import QiError
from qi.model.review import Protocol, Review
from qi.trends import after_rosc
from qi.trends.cohort_columns import COHORT

# Raised by whoever changes how a measure or detector counts without changing a setting or a method's sentence.
COUNTED_AS = 1
_IDS = tuple(measure.id for measure in MEASURES)
_SAID = ("method", "unit", "limit", "goal")


def digest(protocol: Protocol) -> str:
    """A digest of all that a number of a case follows from, but the case: protocol, measures and detector settings.

    Parameters: protocol, in force for the case.
    Returns: 12 hexadecimal digits. What only explains (titles, sources, meanings) is not in it.
    """
    rules = {
        id_: [None if limit is None else limit.text for limit in (rule.limit, rule.goal)] + list(rule.of)
        for id_, rule in protocol.rules.items()
    }
    judged = {"name": protocol.name, "values": protocol.values, "rules": rules, "judged": protocol.judged}
    measures = [[one.id, one.unit, one.method, one.by_machine] for one in MEASURES]
    return _short([COUNTED_AS, judged, measures, settings.load(), dict(accuracy.load())])


def in_force(library: Library) -> str:
    """A digest of the definitions that any case of the library may be held to."""
    return of_all(protocols_near(library))


def of_all(near: Sequence[Path]) -> str:
    """A digest of the definitions of every protocol, those that come with the app and an agency's own.

    In it too: the limits of care after ROSC and the columns of the cohort table, which no signed record rests on.

    Parameters: near, folders with an agency's protocols. One that cannot be read counts by what is wrong with it.
    """
    own = {path.stem for folder in near for path in folder.glob("*.toml")}
    found = {}
    for name in sorted({*protocols.built_in(), *own}):
        try:
            found[name] = digest(protocols.read(name, chosen_by="", measures=_IDS, near=near))
        except QiError as error:
            found[name] = str(error)
    return _short([found, asdict(after_rosc.limits()), [column.name for column in COHORT]])


def same_as_signed(record: Mapping[str, Any], review: Review) -> bool:
    """Whether a signed record was measured under the definitions that are in force for a review of the same case.

    Parameters: record, as a signature keeps it; review, as it would be measured now.
    Returns: True where its digest says so; of a record without one, where protocol, methods and limits read alike.
    """
    if "definitions" in record:
        return bool(record["definitions"] == digest(review.protocol))
    now = _sentences([measure_record(one) for one in review.numbers])
    then = _sentences(record.get("measures", ()))
    shared = now.keys() & then.keys()
    return record.get("protocol") == review.protocol.name and all(now[one] == then[one] for one in shared)


def _sentences(answers: Sequence[Mapping[str, Any]]) -> dict[tuple[Any, ...], list[Any]]:
    return {(one["id"], one.get("of"), one.get("from")): [one.get(name) for name in _SAID] for one in answers}


def _short(what: object) -> str:
    text = json.dumps(what, sort_keys=True, default=list)
    return hashlib.sha256(text.encode()).hexdigest()[:12]
