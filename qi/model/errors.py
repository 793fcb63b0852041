"""The errors a person can act on. Each says where, what was found, and what would be right.

QiError
├── UnreadableFile     a file, or a place in it, cannot be read
├── UnknownWord        a name in a settings, protocol or header file that is not in the vocabulary
├── BadTable           a table breaks the contract of qi.model.tables (a bug in a maker of tables)
├── BadPlan            a baseline or phase of a chart without a reason, or out of order (qi.trends.baselines)
├── StaleWrite         somebody else wrote on the case since it was last read; nothing is lost, look again
├── Locked             the version is signed: reopen it to write on it
├── NoSuchCase         no case of that key is in the library
├── NotAllowed         this person may not do that (qi.model.people)
└── NotMeasurable      an answer, not a fault: this case cannot show this measure
"""

from collections.abc import Iterable
from pathlib import Path


class QiError(Exception):
    """Any error that the app or the command line shows to a person as it stands."""


class UnreadableFile(QiError):
    """A file cannot be read; names the file and the place (byte, line, element)."""

    def __init__(self, path: Path | str, what: str) -> None:
        self.path = Path(path)
        self.what = what
        super().__init__(f"{self.path.name}: {what}")


class UnknownWord(QiError):
    """A word that is not in a closed list; the message lists the choices."""

    def __init__(self, where: str, word: str, choices: Iterable[str]) -> None:
        self.where = where
        self.word = word
        self.choices = sorted(choices)
        super().__init__(f"{where}: “{word}” is not known; choose from {', '.join(self.choices)}")


class BadTable(QiError):
    """A table lacks a column, or a column holds what its contract forbids."""


class StaleWrite(QiError):
    """Somebody else wrote on this case since it was last read: nothing was written; the message says who, when and what."""


class Locked(QiError):
    """The case's version is signed; only a reopened case takes corrections and findings."""


class NoSuchCase(QiError):
    """No case of that key is in the library."""


class NotAllowed(QiError):
    """This person may not do that; the message says what, and nothing of whether what was asked for exists."""


class NotMeasurable(QiError):
    """This case cannot show this measure; says what recording would have shown it.

    The bounds are those that still hold without a value (a device never applied has a lowest possible time).
    """

    def __init__(
        self,
        reason: str,
        *,
        low: float | None = None,
        high: float | None = None,
        coverage: float | None = None,
        status: str | None = None,
    ) -> None:
        self.reason = reason
        self.low = low
        self.high = high
        self.coverage = coverage
        self.status = status
        super().__init__(reason)
