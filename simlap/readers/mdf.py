"""ASAM MDF 4 measurement files; needs asammdf."""

import logging
import struct
import zlib
from typing import Any

import numpy as np

from simlap.errors import LogFormatError
from simlap.readers.columns import Assigned, assign
from simlap.readers.convert import convert
from simlap.readers.table import RawLog, Request, need_extra, parsing

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
    asammdf = need_extra("asammdf", "mdf", source, "ASAM MDF 4")
    errors = (asammdf.blocks.utils.MdfException, *DAMAGED)
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)  # it reports on the console what is raised below
    with parsing(source, "MDF", errors):
        mdf = asammdf.MDF(str(request.path))
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
