"""Where a case stands in the work, told from its journal alone: waiting, under review, signed, told to the crew, or excluded."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from qi.model.journal import FIRST, SECOND, Line, counting, version_of

STATUSES: Mapping[str, str] = {
    "waiting": "waits for review",
    "in_review": "under review",
    "signed": "signed, waits for feedback to the crew",
    "done": "the crew has had feedback",
    "excluded": "excluded, with the reason",
}
SECOND_STATUSES: Mapping[str, str] = {
    "": "no second reading asked for",
    "asked": "waits for a second reader",
    "in_review": "under second reading",
    "signed": "second reading signed",
}
# kinds of lines that are a reader's work on the case, and not the running of the worklist
READERS_WORK = frozenset({"correction", "undo", "clock", "finding", "finding_changed", "finding_withdrawn"})


@dataclass(frozen=True)
class State:
    """What the worklist shows of a case that follows from its journal.

    status is one of STATUSES, second_status one of SECOND_STATUSES, excluded one of EXCLUSIONS or empty. waiting_since is when the
    case began to wait for what it waits for now: to be reviewed (it came in, was reopened, or was taken back into review; handing
    it to somebody else does not make the wait shorter), or for feedback (it was signed); None where it waits for nothing. version
    is that which the journal stands at; signed_at and signed_by are of that version. feedback_at is when the crew first had
    feedback.
    """

    status: str
    assigned_to: str
    waiting_since: datetime | None
    version: int
    signed_at: datetime | None
    signed_by: str
    feedback_at: datetime | None
    excluded: str
    second_status: str


def state_of(lines: Sequence[Line], *, entered_at: datetime, drawn: bool) -> State:
    """Tell the state of a case from its journal.

    Parameters: lines, all of them in order; entered_at, when the case came in; drawn, whether the lot fell on it for a second
    reading.
    Returns: State.
    """
    counted = counting(lines, reading=FIRST)
    version, signed = version_of(lines)
    signature = _last(lines, "signed") if signed else None
    feedback = next((line for line in counted if line.kind == "feedback"), None)
    turn = _last(counted, "excluded", "included")
    excluded = str(turn.body["reason"]) if turn and turn.kind == "excluded" else ""
    assigned = _last(counted, "assigned")
    if excluded:
        status = "excluded"
    elif signature:
        status = "done" if feedback else "signed"
    else:
        status = "in_review" if version > 1 or _touched(lines, FIRST) else "waiting"
    return State(
        status,
        str(assigned.body["to"]) if assigned else "",
        _waiting_since(status, counted, signature, entered_at),
        version,
        signature.when if signature else None,
        signature.who if signature else "",
        feedback.when if feedback else None,
        excluded,
        _second_status(lines, counted, drawn=drawn),
    )


def _last(lines: Sequence[Line], *kinds: str) -> Line | None:
    return next((line for line in reversed(lines) if line.kind in kinds), None)


def _touched(lines: Sequence[Line], reading: int) -> bool:
    return any(line.kind in READERS_WORK and line.reading == reading for line in lines)


def _waiting_since(status: str, counted: Sequence[Line], signature: Line | None, entered_at: datetime) -> datetime | None:
    if status == "signed" and signature:
        return signature.when
    if status in ("waiting", "in_review"):
        begun = _last(counted, "reopened", "included")
        return begun.when if begun else entered_at
    return None


def _second_status(lines: Sequence[Line], counted: Sequence[Line], *, drawn: bool) -> str:
    if _last(lines, "second_signed"):
        return "signed"
    if _touched(lines, SECOND):
        return "in_review"
    return "asked" if drawn or _last(counted, "second_asked") else ""
