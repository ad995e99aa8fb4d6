"""Errors that a user can mend: the command line prints their text and exits with code 2."""


class SimlapError(Exception):
    """Base of all errors that simlap raises on purpose; the text says what to do."""


class LogFormatError(SimlapError):
    """A log file cannot be read as it is: names file, row and column."""


class TrackFormatError(SimlapError):
    """A track file breaks its format: names file, feature and property."""


class NotEnoughData(SimlapError):
    """The log is readable but cannot carry the answer: says what is missing."""


class NoSolution(SimlapError):
    """The envelope leaves no speed profile: names the station and the limit."""


class OptionError(SimlapError):
    """An option or argument has a value that cannot be used."""
