"""The form of a map: what the columns, labels and words of one kind of file stand for, as an agency keeps it."""

from dataclasses import dataclass, field

from qi.intake.meanings import Column, Word

KINDS = ("signals", "events", "dispatch", "words")
DELIMITERS = (",", ";", "\t", "|")
DECIMALS = (".", ",")


@dataclass(frozen=True)
class TimeFormat:
    """How a table writes its times.

    columns hold the moment in one, or its date and its time of day in two; format is a name of `written_times.FORMATS` or a
    strptime pattern; zone is that of wall-clock times ("" = the case's own). A pattern without a date tells the time of day alone.
    """

    columns: tuple[str, ...] = ()
    format: str = "iso"
    zone: str = ""

    @property
    def is_elapsed(self) -> bool:
        """Whether it counts from the start of the file."""
        return self.format.startswith("elapsed_")

    @property
    def counts(self) -> bool:
        """Whether its times are plain numbers."""
        return self.format in ("elapsed_s", "elapsed_ms", "epoch_s", "epoch_ms", "excel_days")


@dataclass(frozen=True)
class EventColumns:
    """Which columns of a list of events hold what; "" where there is none. end is written as the times are."""

    type: str = ""
    value: str = ""
    text: str = ""
    end: str = ""
    dose: str = ""
    unit: str = ""
    by: str = ""

    @property
    def named(self) -> dict[str, str]:
        """The columns that are there, by what they hold."""
        return {what: column for what, column in vars(self).items() if column}


@dataclass(frozen=True)
class Map:
    """What the columns, labels and words of one kind of file stand for.

    kind says what a table holds (signals, events or dispatch times), or that the map is one of words and labels for any file. finds
    are the names of columns that a table must have to be read by it. skip_lines stand before the line of names. null_words are
    cells that hold nothing. columns, time and events are those of the table; words and labels also serve files that are recognised
    by themselves.
    """

    name: str
    kind: str = "words"
    finds: tuple[str, ...] = ()
    delimiter: str = ","
    decimal: str = "."
    skip_lines: int = 0
    null_words: tuple[str, ...] = ()
    time: TimeFormat | None = None
    columns: tuple[Column, ...] = ()
    events: EventColumns = field(default_factory=EventColumns)
    words: tuple[Word, ...] = ()
    labels: tuple[Column, ...] = ()

    @property
    def is_for_tables(self) -> bool:
        """Whether it reads tables of its own; else it serves any file."""
        return self.kind != "words"


def same_name(name: str) -> str:
    """A column's name as it is compared: without case, and without spaces at its ends or doubled."""
    return " ".join(name.split()).casefold()
