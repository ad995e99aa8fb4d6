"""What every reader hands over: values in SI per channel, before any repair."""

import importlib
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType

import numpy as np

from simlap.channels import BY_NAME
from simlap.errors import LogFormatError
from simlap.noted import Kind, Note
from simlap.session import Column

#: Largest file that is read at once. 6 h at 100 Hz and 60 columns; more is not one outing. [bytes]
MAX_BYTES = 1_000_000_000
#: First bytes of a file that tell its format and layout; header lines of thousands of columns still fit.
HEAD_BYTES = 1 << 20
# Pause put between two runs whose clocks both start anew: nobody knows the true one. Long enough to be a gap, so
# that no lap is timed across it.
UNKNOWN_PAUSE = 60.0  # [s]
LONGEST_CELL = 60  # characters of a cell in a message
#: How Python shows an object of no other name: a library names the bytes it was given by that, not by the file.
OBJECT = re.compile(r"'?<[^<>]* object at 0x[0-9a-fA-F]+>'?")


@dataclass
class RawLog:
    """Channels of one file in file order, SI, with "time" among them; `notes` grows while it is repaired."""

    source: str
    values: dict[str, np.ndarray]
    columns: tuple[Column, ...]
    notes: list[str] = field(default_factory=list)
    time_of_day: bool = False  #: the clock may pass midnight
    dated: bool = False  #: each time carries its date: one that goes back is an earlier one, and no clock started anew
    repaired: np.ndarray | None = None  #: (n,) bool, rows of which a cell was taken out; None: of none


@dataclass(frozen=True)
class Request:
    """One file to read, and what the user said about its columns."""

    path: Path
    choices: Sequence  # of ColumnChoice

    @property
    def source(self) -> str:
        """The name of the file, as messages give it."""
        return self.path.name


def drop_columns(columns: Sequence[Column], why: dict[str, str]) -> tuple[Column, ...]:
    """`columns` with those of the channels in `why` marked unread, for the reason given there."""
    return tuple(
        Column(column.name, None, None, why[column.channel]) if column.channel in why else column for column in columns
    )


def optional(channel: str) -> bool:
    """Whether a bad cell leaves the channel unread (counters, marks) instead of ending the reading."""
    return BY_NAME[channel].quantity == "number"


def shown(cell: object) -> str:
    """A cell as messages quote it: on one line, and not longer than a line."""
    text = repr(cell)
    return text if len(text) <= LONGEST_CELL else f"{text[:LONGEST_CELL]}…"


def cell_error(source: str, row: int, column: str, cell: object, unit: str) -> LogFormatError:
    """The error for a cell that is no number."""
    return LogFormatError(
        f"{source}, row {row}, column {column!r}: {shown(cell)} is not a number. "
        f"Write it in {unit} with a decimal point, empty the cell, or delete the row."
    )


def need_extra(module: str, extra: str, source: str, what: str) -> ModuleType:
    """Import an optional package, or say how to install it (LogFormatError)."""
    package = module.partition(".")[0]
    try:
        return importlib.import_module(module)
    except ImportError:
        raise LogFormatError(
            f'{source}: reading {what} needs the package {package}. Install it: pip install "simlap[{extra}]"'
        ) from None


@contextmanager
def parsing(source: str, what: str, errors: tuple[type[Exception], ...]) -> Iterator[None]:
    """Turn `errors` of a format's library into one line (LogFormatError); only calls of that library stand inside."""
    try:
        yield
    except errors as error:
        text = " ".join(OBJECT.sub("it", str(error)).split())[:200] or type(error).__name__
        raise LogFormatError(f"{source}: a damaged {what} file ({text}). Export it again.") from None


def mark_repaired(log: RawLog, rows: np.ndarray) -> None:
    """Note of these rows (n,) that a cell of theirs was taken out."""
    log.repaired = rows if log.repaired is None else log.repaired | rows


def plural(count: int, what: str) -> str:
    """So many of something, in words that fit the number."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def repair_note(text: str) -> Note:
    """Note of a repair."""
    return Note(text, Kind.REPAIRED)
