"""Times of day and dates in a log, as seconds."""

import re
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from simlap.errors import LogFormatError
from simlap.readers.table import shown

DAY = 86400.0  # [s]
#: What a spreadsheet writes into a cell that it cannot compute, in any language: #VALUE!, #DIV/0!, #NV, Err:502, ####.
SHEET_ERROR = re.compile(r"#[^\W\d_][\w/]*[!?]?|Err:\d{3}|#{3,}")
_CLOCK = re.compile(r"(?:(\d{1,3}):)?(\d{1,3}):(\d{1,2}(?:[.,]\d*)?)")
_THOUSANDTHS = re.compile(r"(.*\d:\d{1,2}:\d{1,2}):(\d{3})")  # behind a third colon, as some loggers write them
_HALF_DAY = re.compile(r"((?:0?[1-9]|1[0-2]):\d{1,2}:\d{1,2}(?:[.,]\d*)?)\s*([AaPp])\.?[Mm]\.?")
_ISO_DATE = re.compile(r"(\d{4}-\d{2}-\d{2})[T ]\s*(\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?)\s*(Z|[+-]\d{2}:?\d{2})?")
# Day and month in an order that nobody can tell: the date is passed over, midnight is seen by the clock going back.
_OTHER_DATE = re.compile(r"\d{1,4}[./-]\d{1,2}[./-]\d{1,4}[T ,]\s*")


def is_clock(text: str) -> bool:
    """Whether a cell is a time of day (hh:mm:ss.sss, mm:ss.sss), alone or behind a date."""
    try:
        seconds(text)
    except ValueError:
        return False
    return True


def seconds(text: str) -> tuple[int | None, float]:
    """Day (ordinal, None without an ISO 8601 date) and seconds of it; ValueError when the text is neither."""
    text = text.strip()
    dated = _ISO_DATE.fullmatch(text)
    if dated:
        date, clock, zone = dated.groups()
        shift = 0.0
        if zone and zone != "Z":
            shift = (int(zone[1:3]) * 3600 + int(zone[-2:]) * 60) * (1 if zone[0] == "+" else -1)
        return datetime.fromisoformat(date).toordinal(), seconds(clock)[1] - shift
    text = _THOUSANDTHS.sub(r"\1.\2", _OTHER_DATE.sub("", text, count=1))
    half = _HALF_DAY.fullmatch(text)
    if half:  # 12 is the first hour of either half
        return None, seconds(half[1])[1] % (DAY / 2) + (DAY / 2 if half[2] in "Pp" else 0.0)
    parts = _CLOCK.fullmatch(text)
    if not parts:
        raise ValueError(text)
    hours, minutes, rest = parts.groups()
    return None, int(hours or 0) * 3600.0 + int(minutes) * 60.0 + float(rest.replace(",", "."))


def clock_column(cells: Sequence[object], source: str, column: str, first_row: int) -> tuple[np.ndarray, bool]:
    """Seconds of a column of clock cells, NaN where empty, and whether the cells carry dates.

    Dated columns start at midnight of their first day, so that sub-millisecond steps stay exact.

    Raises
    ------
    LogFormatError
        Naming the first cell that is no time of day.
    """
    values = np.full(len(cells), np.nan)
    first_day: int | None = None
    for index, cell in enumerate(cells):
        if not isinstance(cell, str) or not cell.strip() or SHEET_ERROR.fullmatch(cell.strip()):
            continue
        try:
            day, values[index] = seconds(cell)
        except ValueError:
            raise LogFormatError(
                f"{source}, row {first_row + index}, column {column!r}: {shown(cell)} is no time of day. "
                f"Write it as hh:mm:ss.sss, or delete the row."
            ) from None
        if day is not None:
            first_day = day if first_day is None else first_day
            values[index] += (day - first_day) * DAY
    return values, first_day is not None
