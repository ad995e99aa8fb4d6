"""Errors that a user can mend: the command line prints their text and exits with code 2."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simlap.session import Column


class SimlapError(Exception):
    """Base of all errors that simlap raises on purpose; the text says what to do."""


class LogFormatError(SimlapError):
    """A log file cannot be read as it is: names file, row and column."""


class ColumnsError(LogFormatError):
    """The columns of a log do not tell enough: holds how each would be read and what is missing."""

    def __init__(self, text: str, source: str, columns: "Sequence[Column]") -> None:
        super().__init__(text)
        self.source = source
        self.columns = tuple(columns)


class TrackFormatError(SimlapError):
    """A track file breaks its format: names file, feature and property."""


class NotEnoughData(SimlapError):
    """The log is readable but cannot carry the answer: says what is missing."""


class NoSolution(SimlapError):
    """The envelope leaves no speed profile: names the station and the limit."""


class OptionError(SimlapError):
    """An option or argument has a value that cannot be used."""
