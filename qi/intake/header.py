"""The optional header of a case folder, `case.toml`."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime


@dataclass(frozen=True)
class SourceHeader:
    """What the header says of one file (one [[source]] of case.toml); every field may be left out.

    start is the moment of the file's first sample; channels maps the file's own labels to channel ids; columns maps the file's own
    column names to event types (dispatch). offset_s and uncertainty_s are None where the header does not say. zone is the agency's.
    """

    file: str = ""
    start: datetime | None = None
    depth_reference: str | None = None
    clock: str | None = None
    offset_s: float | None = None
    uncertainty_s: float | None = None
    channels: Mapping[str, str] = field(default_factory=dict)
    columns: Mapping[str, str] = field(default_factory=dict)
    zone: str | None = None
