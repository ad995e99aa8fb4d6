"""Times of day and dates in a log, as seconds."""

import re
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from simlap.errors import LogFormatError

DAY = 86400.0  # [s]
_CLOCK = re.compile(r"(?:(\d{1,3}):)?(\d{1,3}):(\d{1,2}(?:[.,]\d*)?)")
_DATE = re.compile(r"(\d{4}-\d{2}-\d{2})[T ]\s*(\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?)\s*(Z|[+-]\d{2}:?\d{2})?")


def is_clock(text: str) -> bool:
    """Whether a cell is a time of day (hh:mm:ss.sss, mm:ss.sss) or an ISO 8601 date with time."""
    return bool(_CLOCK.fullmatch(text.strip()) or _DATE.fullmatch(text.strip()))


def seconds(text: str) -> float:
    """Seconds since midnight, or since 1970-01-01 where the cell carries a date; ValueError if it is neither."""
    text = text.strip()
    dated = _DATE.fullmatch(text)
    if dated:
        day = (datetime.fromisoformat(dated.group(1)) - datetime(1970, 1, 1)).days
        shift = 0.0
        zone = dated.group(3)
        if zone and zone != "Z":
            shift = (int(zone[1:3]) * 3600 + int(zone[-2:]) * 60) * (1 if zone[0] == "+" else -1)
        return day * DAY + seconds(dated.group(2)) - shift
    clock = _CLOCK.fullmatch(text)
    if not clock:
        raise ValueError(text)
    hours, minutes, rest = clock.groups()
    return int(hours or 0) * 3600.0 + int(minutes) * 60.0 + float(rest.replace(",", "."))


def clock_column(cells: Sequence[object], source: str, column: str, first_row: int) -> tuple[np.ndarray, bool]:
    """Seconds of a column of clock cells, NaN where empty, and whether the cells carry dates.

    Dated columns start at midnight of their first day, so that sub-millisecond steps stay exact.

    Raises
    ------
    LogFormatError
        Naming the first cell that is no time of day.
    """
    values = np.full(len(cells), np.nan)
    dated = False
    for index, cell in enumerate(cells):
        if not isinstance(cell, str) or not cell.strip():
            continue
        try:
            values[index] = seconds(cell)
        except ValueError:
            raise LogFormatError(
                f"{source}, row {first_row + index}, column {column!r}: {cell!r} is no time of day. "
                f"Write it as hh:mm:ss.sss, or delete the row."
            ) from None
        dated = dated or "-" in cell
    if dated and np.any(np.isfinite(values)):
        first = values[np.isfinite(values)][0]
        values -= np.floor(first / DAY) * DAY
    return values, dated
