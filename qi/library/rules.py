"""What may be written in a journal: each line is held against the lines before it, and a refusal says why."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields

from qi.library.second_reading import refused
from qi.library.states import READERS_WORK
from qi.model.corrections import Correction, checked
from qi.model.errors import Locked, QiError, StaleWrite, UnknownWord
from qi.model.journal import EXCLUSIONS, FINDINGS, FIRST, KINDS, LOCKED_OUT, OF_THE_CASE, SECOND, Line, counting, version_of

# kind -> what its body must hold
REQUIRED: Mapping[str, tuple[str, ...]] = {
    "correction": ("action", "subject", "start_s"),
    "undo": ("undoes",),
    "clock": ("clock",),
    "finding": ("kind", "text"),
    "finding_changed": ("of", "kind", "text"),
    "finding_withdrawn": ("of",),
    "signed": ("version", "record"),
    "excluded": ("reason",),
    "assigned": ("to",),
    "outcome": ("field", "value"),
    "files": ("added",),
}
IN_WORDS: Mapping[str, str] = {
    "correction": "a correction",
    "undo": "an undo",
    "clock": "a clock set anew",
    "finding": "a finding",
    "finding_changed": "a changed finding",
    "finding_withdrawn": "a withdrawn finding",
    "signed": "a signature",
    "reopened": "a reopening",
    "excluded": "an exclusion",
    "included": "the end of an exclusion",
    "assigned": "who the case is for",
    "feedback": "feedback to the crew",
    "second_asked": "a second reading asked for",
    "second_signed": "a signed second reading",
    "outcome": "an outcome",
    "files": "files that came later",
}
NOT_UNDONE = frozenset({"signed", "reopened", "second_signed", "files"})
SECOND_WRITES = READERS_WORK | {"second_signed"}  # kinds that a second reader writes
LONGEST_NAME = 200


def name_of(who: str) -> str:
    """The writer's name without space around it.

    Raises: QiError where there is none.
    """
    name = who.strip()
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise QiError("every line carries a name: say who is writing")
    return name


def check(line: Line, before: Sequence[Line]) -> None:
    """Hold a new line against the journal before it.

    Parameters: line; before, all lines before it in order.
    Raises: UnknownWord for a kind, or another word of a closed list, that is not known; Locked where a signature locks it out;
    QiError for what makes no sense on this case as it stands; ValueError for a body without what its kind must hold.
    """
    if line.kind not in KINDS:
        raise UnknownWord("journal", line.kind, KINDS)
    if missing := [name for name in REQUIRED.get(line.kind, ()) if name not in line.body]:
        raise ValueError(f"a line of kind {line.kind} must hold {', '.join(missing)}")
    _right_reading(line, before)
    _not_locked(line, before)
    if rule := _RULES.get(line.kind):
        rule(line, before)


def not_stale(lines: Sequence[Line], after: int, *, reading: int) -> None:
    """Refuse to write on what the writer has not seen.

    Parameters: lines, all of them; after, number of the last line that the writer had seen; reading, the one written in. Readings
    are independent: what the other reader does in their own makes nothing stale, but what belongs to the case does.
    Raises: StaleWrite; ValueError for a line that does not exist.
    """
    if after < 0 or after > len(lines):
        raise ValueError(f"the journal ends at line {len(lines)}; nobody can have seen line {after}")
    kinds = _meant(lines)
    unseen = [line for line in lines[after:] if line.reading == reading or kinds[line.number] in OF_THE_CASE]
    if unseen:
        raise StaleWrite(stale_words(unseen))


def stale_words(unseen: Sequence[Line], *, most: int = 3) -> str:
    """What somebody else wrote meanwhile: who, when, and what kind of line."""
    told = [f"{line.who} wrote {IN_WORDS[line.kind]} (line {line.number}, {line.when:%d %b %Y %H:%M} UTC)" for line in unseen]
    more = f"; and {len(told) - most} more" if len(told) > most else ""
    return f"{'; '.join(told[:most])}{more}. That was after you last looked at this case: nothing of yours was written, look again."


def standing(lines: Sequence[Line]) -> set[int]:
    """Numbers of the lines that no later standing line undoes, undo lines among them."""
    undone: set[int] = set()
    for line in reversed(lines):
        if line.kind == "undo" and line.number not in undone:
            undone.add(int(line.body["undoes"]))
    return {line.number for line in lines} - undone


def _meant(lines: Sequence[Line]) -> dict[int, str]:
    """Each line's kind; an undo has that of what it undoes."""
    kinds: dict[int, str] = {}
    for line in lines:
        kinds[line.number] = kinds.get(int(line.body["undoes"]), "") if line.kind == "undo" else line.kind
    return kinds


def _right_reading(line: Line, before: Sequence[Line]) -> None:
    if line.reading not in (FIRST, SECOND):
        raise ValueError(f"there is no reading {line.reading}; a case has a first ({FIRST}) and a second ({SECOND})")
    if line.reading == SECOND and line.kind not in SECOND_WRITES and line.kind not in OF_THE_CASE:
        raise QiError(f"{IN_WORDS[line.kind]} is not a second reader's to write")
    if line.reading == FIRST and line.kind == "second_signed":
        raise QiError("a second reading is signed in the second reading")
    if line.kind in SECOND_WRITES | {"signed"} and (why := refused(before, line.who, reading=line.reading, marks=line.marks)):
        raise QiError(why)


def _not_locked(line: Line, before: Sequence[Line]) -> None:
    if line.kind not in LOCKED_OUT:
        return
    version, signed = version_of(before)
    meant = _meant([*before, line])[line.number]
    if signed and (line.reading == FIRST or meant in OF_THE_CASE):
        raise Locked(f"version {version} is signed{_by(before, 'signed')}: reopen it to write {IN_WORDS[line.kind]}")
    if line.reading == SECOND and (by := _by(before, "second_signed")):
        raise Locked(f"the second reading is signed{by}: it takes no {IN_WORDS[line.kind].partition(' ')[2]} any more")


def _by(lines: Sequence[Line], kind: str) -> str:
    last = next((line for line in reversed(lines) if line.kind == kind), None)
    return f" by {last.who}, {last.when:%d %b %Y %H:%M} UTC" if last else ""


def _correction(line: Line, before: Sequence[Line]) -> None:
    known = {one.name for one in fields(Correction)}
    checked(Correction(**{name: value for name, value in line.body.items() if name in known}))


def _undo(line: Line, before: Sequence[Line]) -> None:
    number = line.body["undoes"]
    target = next((one for one in before if one.number == number), None)
    if target is None:
        raise QiError(f"there is no line {number} to undo")
    if target.kind in NOT_UNDONE:
        raise QiError(f"line {number} is {IN_WORDS[target.kind]}, which cannot be undone")
    if target.reading != line.reading and _meant(before)[target.number] not in OF_THE_CASE:
        raise QiError(f"line {number} is of the other reading and stays as it is")
    if target.number not in standing(before):
        raise QiError(f"line {number} is undone already")


def _finding(line: Line, before: Sequence[Line]) -> None:
    if line.body["kind"] not in FINDINGS:
        raise UnknownWord("finding, kind", str(line.body["kind"]), FINDINGS)
    if not str(line.body["text"]).strip():
        raise QiError("a finding needs words")


def _of_a_finding(line: Line, before: Sequence[Line]) -> None:
    number = line.body["of"]
    counted = counting(before, reading=line.reading)
    if not any(one.number == number and one.kind == "finding" and one.reading == line.reading for one in counted):
        raise QiError(f"line {number} is no finding that stands")
    if any(one.kind == "finding_withdrawn" and one.body["of"] == number for one in counted):
        raise QiError(f"the finding of line {number} is withdrawn already")
    if line.kind == "finding_changed":
        _finding(line, before)


def _signed(line: Line, before: Sequence[Line]) -> None:
    version, signed = version_of(before)
    if signed:
        raise Locked(f"version {version} is signed already{_by(before, 'signed')}")
    if line.body["version"] != version:
        raise ValueError(f"the journal stands at version {version}, not {line.body['version']}")


def _reopened(line: Line, before: Sequence[Line]) -> None:
    if not version_of(before)[1]:
        raise QiError("the case is not signed; there is nothing to reopen")
    if not str(line.body.get("why", "")).strip():
        raise QiError("reopening a signed case needs a reason")


def _second_signed(line: Line, before: Sequence[Line]) -> None:
    if by := _by(before, "second_signed"):
        raise Locked(f"the second reading is signed already{by}")


def _excluded(line: Line, before: Sequence[Line]) -> None:
    if line.body["reason"] not in EXCLUSIONS:
        raise UnknownWord("exclusion", str(line.body["reason"]), EXCLUSIONS)
    if line.body["reason"] == "other" and not str(line.body.get("why", "")).strip():
        raise QiError("an exclusion for another reason needs the reason in words")


def _included(line: Line, before: Sequence[Line]) -> None:
    turns = [one for one in counting(before) if one.kind in ("excluded", "included")]
    if not turns or turns[-1].kind == "included":
        raise QiError("the case is not excluded")


_RULES: Mapping[str, Callable[[Line, Sequence[Line]], None]] = {
    "correction": _correction,
    "undo": _undo,
    "finding": _finding,
    "finding_changed": _of_a_finding,
    "finding_withdrawn": _of_a_finding,
    "signed": _signed,
    "reopened": _reopened,
    "second_signed": _second_signed,
    "excluded": _excluded,
    "included": _included,
}
