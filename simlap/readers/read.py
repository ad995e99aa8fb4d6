"""From paths to one session: the format is found from the content, files of one outing are joined."""

import importlib
import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from simlap.channels import si_symbol
from simlap.errors import LogFormatError, OptionError
from simlap.readers.choices import ColumnChoice, choices_beside, choices_of, merged
from simlap.readers.join import join
from simlap.readers.repair import assemble
from simlap.readers.table import HEAD_BYTES, MAX_BYTES, RawLog, Request
from simlap.session import Column, Session

#: Module and function that read each format; loaded when a file of it comes.
READERS = {
    "csv": ("simlap.readers.csvfile", "read_csv"),
    "gpx": ("simlap.readers.gpx", "read_gpx"),
    "nmea": ("simlap.readers.nmea", "read_nmea"),
    "mdf": ("simlap.readers.mdf", "read_mdf"),
    "arrow": ("simlap.readers.arrow", "read_arrow"),
}
_PathLike = str | os.PathLike[str]


def read_session(
    path: _PathLike | Sequence[_PathLike],
    columns: Iterable[ColumnChoice | str] | Mapping[str, str] | None = None,
) -> Session:
    """Read one log, or several files of one outing in driving order.

    Parameters
    ----------
    path : path, or sequence of paths
        CSV, GPX 1.1, NMEA 0183, ASAM MDF 4, Parquet or Feather; the content tells which.
    columns : choices, optional
        Option texts (``'speed="GPS Spd":km/h'``), a mapping (``{"speed": "GPS Spd:km/h"}``), or `ColumnChoice`.
        They win over ``columns.toml`` in the log's folder, which wins over the names in the file.

    Returns
    -------
    Session

    Raises
    ------
    LogFormatError
        Naming file, row and column, and what to do.
    OptionError
        When a choice cannot be understood, or what is given is no path.
    """
    paths = list(path) if isinstance(path, Iterable) and not isinstance(path, (str, bytes, os.PathLike)) else [path]
    for item in paths:
        if not isinstance(item, (str, os.PathLike)):
            raise OptionError(f"log {item!r}: is no path. Name a log file, or a list of the files of one outing.")
    if not paths:
        raise LogFormatError("no log given: name at least one file.")
    choices = choices_of(columns)
    return join([_read_one(Path(item), choices) for item in paths])


def _read_one(path: Path, choices: Sequence[ColumnChoice]) -> Session:
    head = _head(path)
    request = Request(path, merged(choices, choices_beside(path)))
    module, function = READERS[detect(head, request.source)]
    reader: Callable[[Request, bytes], RawLog] = getattr(importlib.import_module(module), function)
    return assemble(reader(request, head))


def _head(path: Path) -> bytes:
    name = str(path)
    try:
        if path.is_dir():
            raise LogFormatError(f"{name}: is a folder. Name the log file in it.")
        if path.exists() and not path.is_file():  # a log is read more than once; what comes through a pipe is then gone
            raise LogFormatError(f"{name}: is a pipe or device. Write what comes from it to a file, and name that.")
        size = path.stat().st_size
        if size > MAX_BYTES:
            raise LogFormatError(
                f"{name}: {size / 1e9:.1f} GB, more than the {MAX_BYTES / 1e9:.0f} GB that are read at once. "
                f"Export one outing, or fewer channels."
            )
        with path.open("rb") as stream:
            head = stream.read(HEAD_BYTES)
    except FileNotFoundError:
        raise LogFormatError(f"{name}: no such file.") from None
    except (OSError, ValueError) as error:
        raise LogFormatError(f"{name}: cannot be opened ({getattr(error, 'strerror', None) or error}).") from None
    return head


def detect(head: bytes, source: str) -> str:
    """Format of a log by its first bytes: csv, gpx, nmea, mdf or arrow.

    Raises
    ------
    LogFormatError
        For formats that are recognised but not read.
    """
    if head.startswith((b"MDF     ", b"UnFinMF ")):
        return "mdf"
    if head.startswith((b"PAR1", b"ARROW1")):
        return "arrow"
    if head.startswith(b"PK\x03\x04"):
        raise LogFormatError(f"{source}: a zip archive or spreadsheet. Unpack it, or save it as CSV.")
    if head.startswith(b"FEA1"):
        raise LogFormatError(f"{source}: Feather version 1, which is out of use. Write it as version 2, or as Parquet.")
    if head.startswith((b"\x1f\x8b", b"BZh", b"\xfd7zXZ", b"7z\xbc\xaf")):
        raise LogFormatError(f"{source}: a compressed file. Unpack it first.")
    text = head.replace(b"\x00", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")
    if text.startswith(b"<"):
        return "gpx"
    lines = text[:8192].splitlines()[:50]
    sentences = sum(bool(re.search(rb"[$!][A-Z]{2}[A-Z0-9]{3},", line)) for line in lines)
    if sentences and sentences * 2 >= sum(bool(line.strip()) for line in lines):
        return "nmea"
    return "csv"


def describe_channels(session: Session) -> list[tuple[str, str, str, str]]:
    """Rows for a table of columns: (column, channel or "", unit or "", note), in the order of the file."""
    return [_described(column) for column in session.columns]


def _described(column: Column) -> tuple[str, str, str, str]:
    if column.channel is None:
        return (column.name, "", "", f"unread: {column.note}" if column.note else "unread")
    return (column.name, column.channel, column.unit or si_symbol(column.channel), column.note)
