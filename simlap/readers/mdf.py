"""ASAM MDF 4 measurement files; needs asammdf."""

import io
import logging
import struct
import traceback
import zlib
from types import ModuleType
from typing import Any

import numpy as np

from simlap.errors import LogFormatError
from simlap.readers.columns import Assigned, assign
from simlap.readers.convert import convert
from simlap.readers.table import RawLog, Request, need_extra, parsing, shown

# Clocks of groups are computed apart and differ in the last bits; within a microsecond they are one. A car moves
# 0.1 mm in it.
CLOCK_DECIMALS = 6
#: What a parser of a binary format runs into when its lengths and links are wrong.
DAMAGED = (
    ArithmeticError, AssertionError, AttributeError, EOFError, LookupError, MemoryError, NotImplementedError, OSError,
    RecursionError, TypeError, ValueError, struct.error, zlib.error,
)  # fmt: skip


def read_mdf(request: Request, head: bytes) -> RawLog:
    """Read the channels of one MDF file that are used; groups of different rates share one clock.

    A row is a time at which any used channel has a sample; the others are empty there.

    Raises
    ------
    LogFormatError
        When asammdf is missing, the file is damaged, or no channel of use is in it.
    """
    source = request.source
    version = head[8:12].strip(b" \x00")
    if not version.startswith(b"4"):
        raise LogFormatError(
            f"{source}: MDF version {shown(version.decode('latin-1'))}; only MDF 4 is read. Convert it."
        )
    asammdf = need_extra("asammdf", "mdf", source, "ASAM MDF 4")
    errors = (asammdf.blocks.utils.MdfException, *DAMAGED)
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)  # it reports on the console what is raised below
    with parsing(source, "MDF", errors):
        mdf = _open(asammdf, request.path.read_bytes(), errors)
    try:
        with parsing(source, "MDF", errors):
            places = _places(mdf)
        headers = ["time", *(name for _, _, name, _ in places)]
        units = ["s", *(unit for _, _, _, unit in places)]
        assigned, columns, notes = assign(source, headers, units, request.choices)
        signals = {}
        with parsing(source, "MDF", errors):
            for item in assigned:
                if item.index:
                    group, index, name, _unit = places[item.index - 1]
                    signals[item.index] = mdf.get(name, group=group, index=index)
    finally:
        mdf.close()
    clock = np.unique(np.concatenate([_times(signal) for signal in signals.values()]))

    def fetch(item: Assigned) -> np.ndarray:
        return _on_clock(clock, signals[item.index], source) if item.index else clock

    return convert(source, assigned, columns, notes, fetch, first_row=1)


def _open(asammdf: ModuleType, content: bytes, errors: tuple[type[Exception], ...]) -> Any:
    """The file, from memory: under its own name the library would look at the ending, and copy unfinished files.

    An object of the library that broke half-built complains on the console when it is deleted; it is marked closed.
    """
    try:
        return asammdf.MDF(io.BytesIO(content))
    except errors as error:
        for frame, _line in traceback.walk_tb(error.__traceback__):
            broken = frame.f_locals.get("self")
            if hasattr(broken, "_closed"):
                broken._closed = True  # type: ignore[union-attr]
        raise


def _places(mdf: Any) -> list[tuple[int, int, str, str]]:
    """Group, index, name and unit of every channel but the masters (the clocks)."""
    return [
        (group, index, channel.name, channel.unit)
        for group, content in enumerate(mdf.groups)
        for index, channel in enumerate(content.channels)
        if index != mdf.masters_db.get(group)
    ]


def _times(signal: Any) -> np.ndarray:
    return np.round(np.asarray(signal.timestamps, dtype=np.float64), CLOCK_DECIMALS)


def _on_clock(clock: np.ndarray, signal: Any, source: str) -> np.ndarray:
    samples = np.asarray(signal.samples)
    if samples.ndim != 1 or samples.dtype.kind not in "biufSU":
        raise LogFormatError(f"{source}, channel {signal.name!r}: its samples are no single numbers.")
    place = np.searchsorted(clock, _times(signal))
    if samples.dtype.kind in "SU":
        cells = np.full(clock.size, None, dtype=object)
        cells[place] = [text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text) for text in samples]
        return cells
    numbers = np.full(clock.size, np.nan)
    numbers[place] = samples.astype(float)
    return numbers
