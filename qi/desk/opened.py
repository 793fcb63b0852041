"""A case of the library on the desk: as the files tell it, with the clocks a reviewer set, and what the detectors saw on it."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from secrets import token_hex

from qi import pipeline
from qi.corrections.clocks import setting_of, with_offsets
from qi.desk import typed
from qi.desk.agencies import maps_of, protocols_near
from qi.intake.folder import read_case
from qi.library.library import Library
from qi.library.outcomes import outcomes_of
from qi.model.case import Case
from qi.model.clock_proposal import ClockSetting
from qi.model.corrections import Correction, correction_of
from qi.model.errors import UnreadableFile
from qi.model.fused import Looked
from qi.model.journal import FIRST, Line, counting
from qi.model.review import Protocol, Review

UNREADABLE = "the files of this case, as they came, are missing or cannot be read any more, and nor can what was made of them"


@dataclass(frozen=True, eq=False)
class Opened:
    """raw is the case as its files tell it; case has the clocks that a reviewer set; seen is what the detectors saw on it, where
    that is known already.

    token is another one for every time that a case is opened, to keep what was worked out for it by.
    """

    key: str
    raw: Case
    case: Case
    protocol: Protocol
    seen: Looked | None = None
    token: str = field(default_factory=lambda: token_hex(6))

    @cached_property
    def looked(self) -> Looked:
        """What the detectors see on the case: asked when it is first needed, so that the waveforms can be shown meanwhile."""
        return self.seen or pipeline.look(self.case, self.protocol)


def clock_settings(lines: Sequence[Line]) -> tuple[ClockSetting, ...]:
    """The clocks as the journal sets them; of several lines on one clock the last counts."""
    found = {setting.clock: setting for setting in (setting_of(line) for line in counting(lines) if line.kind == "clock")}
    return tuple(found.values())


def open_case(library: Library, key: str, settings: Sequence[ClockSetting] = ()) -> Opened:
    """Take a case of the library onto the desk.

    Parameters: library; key, of the case; settings, the clocks that a reviewer set.
    Raises: NoSuchCase; UnreadableFile where neither the stored copy nor the originals can be read.
    """
    raw = stored(library, key)
    case = with_offsets(raw, settings) if settings else raw
    in_force = pipeline.choose_protocol(case, near=protocols_near(library))
    return Opened(key, raw, case, in_force)


def stored(library: Library, key: str) -> Case:
    """The case as its files tell it, from the stored copy; a copy that is damaged or old is made anew from the originals."""
    try:
        return library.case(key)
    except UnreadableFile:
        entry = library.about(key)
        case = _read_anew(library, key, entry.agency)
        case = replace(case, id=entry.case_id)
        library.store(key, case)
        return case


def _read_anew(library: Library, key: str, agency: str) -> Case:
    """The case from its originals. Why they cannot be read is not passed on: the words may hold what stands in the files, and
    whoever opens the case meets them on pages that show nothing of the files.
    """
    folder = library.originals_folder(key)
    try:
        return read_case(folder, maps=maps_of(library, agency), given=typed.kept(library, key))
    except UnreadableFile as error:
        raise UnreadableFile(folder, f"{UNREADABLE} (python -m qi rebuild says why)") from error


def corrections(opened: Opened, lines: Sequence[Line], *, reading: int = FIRST) -> tuple[Correction, ...]:
    """The corrections of one reading that count, on the axis as the case stands now."""
    return tuple(correction_of(line, opened.case) for line in counting(lines, reading=reading) if line.kind == "correction")


def review_of(opened: Opened, lines: Sequence[Line], *, reading: int = FIRST, as_found: bool = False) -> Review:
    """The case measured and judged, with a reviewer's corrections or as the machine found it.

    Parameters: opened; lines, of its journal; reading, whose corrections count; as_found, whether none counts.
    Returns: Review; facts that arrived later (outcomes) are in it in both.
    """
    said = () if as_found else corrections(opened, lines, reading=reading)
    later = outcomes_of(lines)
    case = opened.case
    if later:
        case = replace(case, facts=replace(case.facts, outcome={**case.facts.outcome, **later}))
    return pipeline.review(case, opened.protocol, said, opened.looked)
